"""Facts in, words out. Pure."""
