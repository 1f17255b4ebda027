"""Words from files as a terminal may show them."""

from __future__ import annotations

import unicodedata


def plain(text: object) -> str:
    """A text without the characters that steer a terminal, which a name in a file may hold.

    Examples
    --------
    >>> plain("hedge\\x1b[2J")
    'hedge\ufffd[2J'
    """
    return "".join(
        "\ufffd" if unicodedata.category(c) == "Cc" and c not in "\n\t" else c for c in str(text)
    )
