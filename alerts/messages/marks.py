"""The short mark at the end of a text, by which it can be found again at the gateway."""

from __future__ import annotations

import hashlib

# Neither a vowel, so that no word can form, nor 0 O 1 I L, which readers confuse.
ALPHABET = "23456789BCDFGHJKMNPQRSTVWXZ"
LENGTH = 5


def mark(message_id: str) -> str:
    """Return the mark of a message, for example '#K7Q2B'; the same id always gives the same.

    It need only tell apart what one recipient is sent in one day, since the gateway is asked
    for those alone. 27 characters in 5 places make 27**5 = 14,348,907 marks; among n messages
    the chance that any two share one is about n * (n - 1) / 2 / 27**5: 3 in a million for 10 a
    day, 1 in 3,000 for 100. All characters are GSM-7, so a mark costs 6 septets.

    Raises ValueError for an empty id, whose mark every such message would share.
    """
    if not message_id:
        raise ValueError("The message id is empty: give each message an id of its own.")
    number = int.from_bytes(hashlib.sha256(message_id.encode()).digest())
    places = (number // len(ALPHABET) ** place % len(ALPHABET) for place in range(LENGTH))
    return "#" + "".join(ALPHABET[place] for place in places)
