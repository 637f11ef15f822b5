"""`python -m cmkit` is the command `cmkit`."""

from cmkit.cli import main

main()
