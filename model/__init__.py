"""What every room agrees on: surfaces, kinds, errors, connector geometry, the net, the weights."""
