"""Profile to what the photographer sees: page, card, tables, and lines for the terminal."""
