"""Run mudcap as `python -m mudcap`."""

from mudcap.app.cli import main

if __name__ == "__main__":
    main()
