"""Live playing: the stream on the sound card or on a MIDI port, with keys, a pedal and a screen.

Nothing is imported here; `backing.live.play.play` ties it together.
"""
