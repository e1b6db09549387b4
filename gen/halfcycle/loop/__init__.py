"""The plant at window rate with its corners, and the PI loop around it, in real numbers."""
