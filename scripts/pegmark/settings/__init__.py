"""Ground: what the teacher has set: the assignment with its defaults, and the rubric."""
