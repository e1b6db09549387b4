"""The generated C on the processors that it ships on: compiled, run bit for bit, and its cost.

``run.run`` does it all; ``machines`` lists the processors, ``toolchains`` finds compilers, and an
emulator each is in ``unicorn_cpu``, ``simavr`` and ``qemu``.
"""
