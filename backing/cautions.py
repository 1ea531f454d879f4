"""What is said of the health of ears and hands, wherever music is heard or practised."""

__all__ = ["LOUD", "SORE"]

LOUD = "Start with the volume low: loud headphones can damage hearing."
SORE = "Rest when a hand tires; if it hurts, stop, and ask a teacher or a doctor."
