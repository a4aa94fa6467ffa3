"""`python -m percsim`: the command line."""

from percsim.cli import main

if __name__ == "__main__":
    main()
