"""The C on the processors that it ships on: compiled, run bit for bit, and its cost."""
