"""From results to words and pictures."""
