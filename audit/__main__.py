"""`python -m audit` is the command `deicer-audit`."""

from audit.cli import main

if __name__ == "__main__":
    main()
