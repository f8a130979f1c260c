"""``python -m logger`` is the ``ropetally`` command."""

from logger.commands.main import main

if __name__ == "__main__":
    main()
