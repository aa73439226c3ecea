"""The nouns everyone shares. Standard library only; no clock, no input, no output."""
