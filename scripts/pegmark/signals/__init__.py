"""Ground: what every stage that looks at sound shares.

audio (the rate of all decoded sound), spectra, salience (which fundamental sounds), frames (complex
amplitudes of partials), partials (how they move together, and the series they form), pitch_track,
tone_removal. Nothing here knows of instruments' players, takes or grades.
"""
