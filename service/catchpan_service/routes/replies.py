"""How stored things are answered: bytes, ETag, Location."""

from collections.abc import Callable
from typing import Any
from urllib.parse import urlencode

import msgspec
from litestar import Request, Response

from catchpan_service import forms
from catchpan_service.store.database import Reply

_JSON = "application/json"


def etag(version: int) -> str:
    """The strong ETag of a version."""
    return f'"{version}"'


def encoded(answer: Any) -> bytes:
    """An answer as JSON; bytes that were stored or signed go through as they are."""
    return msgspec.json.encode(answer)


def unversioned(answer: Any) -> Reply:
    """The reply to a change of something without a version."""
    return Reply(200, encoded(answer))


def changed(answer: Any) -> Reply:
    """The reply to a change of something that has a version."""
    return Reply(200, encoded(answer), etag(answer.version))


def added(path: Callable[[Any], str]) -> Callable[[Any], Reply]:
    """The reply to something new, and where it is from now on."""

    def reply(answer: Any) -> Reply:
        return Reply(201, encoded(answer), etag(answer.version), path(answer))

    return reply


def sent(reply: Reply) -> Response[Any]:
    """A reply as it goes over the wire."""
    headers = {"ETag": reply.etag, "Location": reply.location}
    told = {name: value for name, value in headers.items() if value is not None}
    return Response(reply.body, status_code=reply.status, media_type=_JSON, headers=told)


def shown(request: Request[Any, Any, Any], answer: Any) -> Response[Any]:
    """Something that has a version; 304 where the caller holds it already."""
    return shown_bytes(request, encoded(answer), etag(answer.version))


def shown_bytes(request: Request[Any, Any, Any], body: bytes, tag: str, media: str = _JSON) -> Response[Any]:
    """Bytes with an ETag; 304 where the caller holds them already."""
    if holds(request, tag):
        return unchanged(tag)
    return Response(body, media_type=media, headers={"ETag": tag})


def holds(request: Request[Any, Any, Any], tag: str) -> bool:
    """Whether the caller says that it holds what has this ETag."""
    held = {one.strip().removeprefix("W/") for one in request.headers.get("if-none-match", "").split(",")}
    return tag in held or "*" in held


def unchanged(tag: str) -> Response[Any]:
    """304: the caller holds it already."""
    return Response(b"", status_code=304, headers={"ETag": tag})


def paged(request: Request[Any, Any, Any], page: Any) -> Response[Any]:
    """One page of a list, in the form that is wanted, with a link to the next."""
    headers = {"Vary": "Accept"}
    if page.next is not None:
        following = request.url.with_replacements(query=_with_after(request, page.next))
        headers["Link"] = f'<{following}>; rel="next"'
    form = forms.chosen(request.headers.get("accept"), forms.OF_LISTS)
    if form == forms.CSV:
        return Response(forms.table(page), headers=headers, media_type=f"{form}; charset=utf-8; header=present")
    if form == forms.XLSX:
        return Response(forms.workbook(page), headers=headers, media_type=form)
    return Response(page, headers=headers)


def _with_after(request: Request[Any, Any, Any], after: str) -> str:
    asked = {name: value for name, value in request.query_params.items() if name != "after"}
    return urlencode({"after": after} | asked)
