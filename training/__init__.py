"""Pictures and labels in, weights out."""
