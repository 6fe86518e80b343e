"""The page on which one person plays every phone: what each got, and a form to text back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape

STYLE = (
    "body{font:18px/1.5 system-ui,sans-serif;margin:1em auto;padding:0 1em;max-width:40em;"
    "color:#111;background:#fdfdfb;overflow-wrap:anywhere}"
    "section{border-top:2px solid #111;padding:.5em 0}"
    "ol{list-style:none;padding:0}li{border:1px solid #555;border-radius:8px;padding:.4em .7em;"
    "margin:.4em 0}li.out{margin-left:min(3em,15%);background:#e8efe2}"
    "label{display:block}input{font:inherit;width:100%;box-sizing:border-box;min-height:48px}"
    "button{font:inherit;min-height:48px;margin-top:.4em;padding:0 1em}"
)


@dataclass(frozen=True, slots=True)
class PhoneText:
    """One text as a phone shows it; ``sent``: the phone's owner wrote it."""

    phone: str
    body: str
    at: datetime
    sent: bool


def phones_page(texts: Sequence[PhoneText]) -> str:
    """All phones with their texts, oldest first; works without scripts."""
    phones = list(dict.fromkeys(text.phone for text in texts))
    shown = "".join(
        _phone(number, phone, [text for text in texts if text.phone == phone])
        for number, phone in enumerate(phones)
    )
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>Phones</title><style>{STYLE}</style></head><body><main><h1>Phones</h1>"
        "<p>Every phone that got a text or sent one, on this machine only.</p>"
        f'{shown}<section aria-labelledby="other"><h2 id="other">Another phone</h2>'
        '<form method="post" action="/phones">'
        '<label for="from">Number, such as +12025550143</label>'
        '<input id="from" name="from" inputmode="tel" required>'
        '<label for="body">Text</label><input id="body" name="body" maxlength="1600" required>'
        "<button>Send</button></form></section></main></body></html>"
    )


def _phone(number: int, phone: str, texts: Sequence[PhoneText]) -> str:
    told, name = escape(phone), f"phone{number}"
    lines = "".join(
        f'<li class="{"out" if text.sent else "in"}">'
        f"<strong>{'Sent' if text.sent else 'Got'} {text.at:%b %d %H:%M} UTC</strong><br>"
        f"{escape(text.body)}</li>"
        for text in texts
    )
    return (
        f'<section aria-labelledby="{name}"><h2 id="{name}">{told}</h2><ol>{lines}</ol>'
        f'<form method="post" action="/phones"><input type="hidden" name="from" value="{told}">'
        f'<label for="{name}text">Text back from {told}</label>'
        f'<input id="{name}text" name="body" maxlength="1600" required>'
        "<button>Send</button></form></section>"
    )
