"""Which windows hold whole half cycles, and the bounds of what each of them measures wrong."""
