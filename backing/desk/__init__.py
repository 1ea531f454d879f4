"""The desk: a folder of phrases and lessons written, seen, heard and published in the browser."""
