"""From counts to claims: proportions and their limits."""
