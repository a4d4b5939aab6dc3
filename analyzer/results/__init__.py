"""Writing a result folder, whole or not at all."""
