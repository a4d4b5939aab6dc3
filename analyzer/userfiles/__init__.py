"""Files that users write by hand: set-up sheet, windows, check points, accepted stretches. Each has a JSON Schema here."""
