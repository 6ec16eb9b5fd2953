"""Starts the command line with `python -m densitycam`, as the command densitycam does."""

from densitycam.cli.main import main

if __name__ == "__main__":
    main(prog_name="densitycam")
