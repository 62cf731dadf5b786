"""How steady the ticks are, and how loud."""
