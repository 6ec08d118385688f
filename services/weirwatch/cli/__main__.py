"""`python -m weirwatch.cli`: the same as the command `weirwatch`."""

from weirwatch.cli.main import main

main()
