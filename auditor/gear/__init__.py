"""Whose gear it is: what the photographer says, and what follows from use where nothing is said."""
