"""How hard the doors are to guess: the arithmetic, and what `portress strength` shows."""
