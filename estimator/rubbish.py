"""How often Python looks for rubbish: objects that hold each other, and that nobody else holds."""

import gc


def look_seldom() -> None:
    """Look after a hundred thousand new objects, not after every few hundred.

    Loading libraries makes a million that stay: to look through them takes a sixth of its time.
    """
    gc.set_threshold(100_000, 50, 100)


def spare_what_is_there() -> None:
    """Never look through what there is now: all of it will stay."""
    gc.freeze()
