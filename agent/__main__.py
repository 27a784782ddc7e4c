"""``python -m agent`` is the command ``lowmark``."""

from agent.cli import main

if __name__ == "__main__":
    main()
