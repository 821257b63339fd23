"""The interfaces between decisions and the world: Protocols and their plain values."""
