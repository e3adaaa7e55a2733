"""What ``import vibe`` gives: the program's functions for notebooks and scripts, without files where arrays will do.

Like ``cli/`` it asks, calls ``flow/`` and shows; tables come out as pandas frames, curves as arrays that draw
themselves on matplotlib axes. ``vibe/__init__.py`` loads the names from here when they are first used.
"""
