"""`python -m pipeline` is `limbaudit`."""

from pipeline.cli import main

if __name__ == "__main__":
    main(prog_name="limbaudit")
