"""What is plugged in."""
