"""``python -m vibe`` is the command ``vibe``."""

from __future__ import annotations

from vibe.cli.main import main

if __name__ == "__main__":  # worker processes import this file again
    main()
