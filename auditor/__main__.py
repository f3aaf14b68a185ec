"""`python -m auditor` is the command `auditor`."""

from auditor.cli import main

if __name__ == "__main__":
    main()
