"""The lesson: one file that names phrases, keys and tempos, and the folder made from it."""
