"""Reading posted forms, within bounds."""

from __future__ import annotations

from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException
from starlette.requests import Request

MOST_FIELDS = 2000
"""A form with more entries than this is none of ours."""

MOST_BYTES = 1024 * 1024


async def read_form(
    request: Request, most_bytes: int = MOST_BYTES, *, most_files: int = 0
) -> FormData:
    """The posted form; HTTPException 413 past ``most_bytes``, 400 when it cannot be read.

    The body is read whole first: a form parser would take any length. Who allows files closes them.
    """
    body = await read_at_most(request, most_bytes)
    if body is None:
        raise HTTPException(413, f"larger than {most_bytes // 1024} KiB; send less at once")
    request._body = body
    try:
        form = await request.form(
            max_files=most_files, max_fields=MOST_FIELDS, max_part_size=most_bytes
        )
        return _storable(form)
    except UnicodeError as error:  # multipart may name any encoding
        raise HTTPException(400, "the form cannot be read; send it as UTF-8") from error
    except MultiPartException as error:
        raise HTTPException(
            400, f"the form cannot be read ({error.message}); send it again"
        ) from error


def _storable(form: FormData) -> FormData:
    """The form without NULs, which PostgreSQL does not keep.

    UnicodeError for halves of characters, which some encodings yield and no table takes.
    """
    pairs: list[tuple[str, str | UploadFile]] = []
    for name, value in form.multi_items():
        said = value if isinstance(value, str) else value.filename or ""
        f"{name}{said}".encode()
        pairs.append((name, value.replace("\x00", "") if isinstance(value, str) else value))
    return FormData(pairs)


async def read_at_most(request: Request, most: int) -> bytes | None:
    """The body, or None as soon as it grows past ``most`` bytes."""
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > most:
            return None
    return bytes(body)


def text_of(form: FormData, name: str) -> str:
    """What was typed into a field, without spaces around it; "" where it is missing or a file."""
    value = form.get(name, "")
    return value.strip() if isinstance(value, str) else ""
