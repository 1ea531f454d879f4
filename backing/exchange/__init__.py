"""A phrase to MusicXML and back: what notation programs exchange."""
