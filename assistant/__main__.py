"""`python -m assistant` is `twohands`."""

from assistant.cli import main

main()
