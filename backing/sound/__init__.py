"""The stream as sound: synthesised, placed in a room, mixed and mastered.

From below: `fluid` and `synth` play notes, `filters` and `tone` shape them, `loudness` and
`limiter` measure and hold them, `mix` sets levels, the room and the gains; `spool`, `peaks` and
`rendered` keep a piece and finish it, and `audio` renders one.
"""
