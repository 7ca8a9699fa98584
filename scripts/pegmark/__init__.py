"""pegmark: listens to recordings of string players tuning, and grades them with the teacher.

One package a stage, in the order of a take: receive, decode, segment, identify, measure, score,
render, recheck, publish, deliver. Below them stands what several share: signals, trade, statistics,
records, files, words, settings. Nothing here knows about the workflow engine. Importing the package
itself imports nothing, so that every stage pays only for what it uses.
"""
