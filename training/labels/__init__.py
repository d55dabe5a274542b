"""A shop's own labels: read from and written to four forms, and checked before use."""
