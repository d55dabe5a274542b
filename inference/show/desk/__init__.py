"""The desk: the local page on which the whole job is done."""
