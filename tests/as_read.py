"""Pages as a browser shows them: white space is one space, and nothing at the edge of a block.

So a test speaks of what stands on a page, however the lines of its template are broken.
"""

import re

from django.http.response import HttpResponseBase

BLOCKS = (
    "br|caption|dd|details|div|dl|dt|fieldset|figcaption|figure|form|footer|h[1-6]|head|header|"
    "hr|legend|li|link|main|nav|ol|optgroup|option|p|script|section|select|summary|table|tbody|"
    "td|tfoot|th|thead|tr|ul|circle|line|path|rect|use"
)
AS_IT_IS = re.compile(r"(<(pre|textarea|script)\b.*?</\2>)", re.DOTALL)
# each begins with the one character that it looks for: else every blank of a page is tried
BLOCK = re.compile(rf"(</?(?:{BLOCKS})(?![\w-])[^>]*>)")
OPENS = re.compile(r"(<(?:button|label|ul|ol)\b[^>]*>) +")
CLOSES = re.compile(r"(</(?:button|label)>)")
LINE_END = re.compile(r"[\r\n][ \t\r\n]*")  # no other: what was typed may hold spaces


def as_read(html: str) -> str:
    whole = AS_IT_IS.split(html)
    whole[::3] = [_closed_up(text) for text in whole[::3]]
    del whole[2::3]  # the names of the elements kept as they are
    return "".join(whole)


def _closed_up(text: str) -> str:
    *lines, last = LINE_END.split(text)
    text = " ".join([*(line.rstrip(" \t") for line in lines), last])
    first, *parts = BLOCK.split(text)
    if parts:
        inner = [part.strip(" ") for part in parts[:-1]]
        text = "".join([first.rstrip(" "), *inner, parts[-1].lstrip(" ")])
    *before, last = CLOSES.split(OPENS.sub(r"\1", text))
    return "".join([*(part.rstrip(" ") for part in before), last])


def close_up(response: HttpResponseBase) -> None:
    """A page is changed; a file, a compressed page and an answer to a program are not."""
    of_page = response.headers.get("Content-Type", "").startswith("text/html")
    if of_page and not response.streaming and "Content-Encoding" not in response.headers:
        given = response.content.decode()  # type: ignore[attr-defined]
        response.content = as_read(given).encode()  # type: ignore[attr-defined]
