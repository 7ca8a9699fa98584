"""pegmark: listens to recordings of string players tuning, and grades them with the teacher.

One module per subject; nothing here knows about the workflow engine. Importing the package
itself imports nothing, so that every stage pays only for what it uses.
"""
