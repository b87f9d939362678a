"""Run the command line with ``python -m weldsection``."""

from weldsection.cli import main

if __name__ == "__main__":
    main()
