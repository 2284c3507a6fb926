"""``python -m facademap`` is the command ``facademap``."""

from facademap.cli.main import main

main()
