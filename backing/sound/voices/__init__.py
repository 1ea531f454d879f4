"""Voices of our own: strings by delay loops, an organ by tone wheels, the rest by a soundfont."""
