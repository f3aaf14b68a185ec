"""From figures to decisions: visible or not, which lens, has it changed, dust, focus."""
