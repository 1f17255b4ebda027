"""``python -m shelterscape``: the command line without its launcher."""

from shelterscape.cli import main

main()
