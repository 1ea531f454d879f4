"""The sheet: a phrase as written music, as tablature in plain text, and as MusicXML."""
