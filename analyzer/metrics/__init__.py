"""Pure functions from tables to figures of the trade. Nothing here opens a file or judges."""
