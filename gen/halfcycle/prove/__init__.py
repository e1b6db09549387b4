"""Proof that the generated C cannot leave its ranges: by SMT, and by Frama-C beside it."""
