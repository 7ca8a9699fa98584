"""Ground: words and numbers for people: sentences of one language, dates, names made safe to
show."""
