"""What is on a card."""
