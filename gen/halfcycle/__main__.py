"""``python -m halfcycle`` is the same as the ``halfcycle`` command."""

from halfcycle.cli import main

main()
