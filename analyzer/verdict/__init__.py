"""From metrics, error bounds and a purpose to a verdict in words."""
