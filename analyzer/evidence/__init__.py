"""From tables to an error bound per epoch: pure functions, one kind of evidence per module."""
