"""From the open to the close click."""
