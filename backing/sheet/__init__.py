"""The sheet: a phrase as written music, and as tablature in plain text."""
