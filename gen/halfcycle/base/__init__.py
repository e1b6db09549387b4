"""What every room may use: errors, exact fractions, files, the cache, the clipped sine, figures."""
