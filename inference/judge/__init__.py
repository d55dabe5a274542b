"""Which dirt matters, why, and what to do."""
