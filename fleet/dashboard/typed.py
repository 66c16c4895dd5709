"""A form that was refused, shown again with its fault and everything that was typed into it.

Works on the page as it is rendered, so that no template has to say for each of its fields what
was sent: a form is known again by its address and by what its hidden fields hold.
"""

from dataclasses import dataclass, field
from html import escape
from html.parser import HTMLParser
from http import HTTPStatus

from django.contrib import messages
from django.http import HttpResponse, QueryDict

from fleet.dashboard.frame import SignedIn
from fleet.faults import Fault

FAULT_ID = "refused"
BY_ITSELF = frozenset({"csrfmiddlewaretoken", "client_key", "key"})  # made new for each page
CHOICES = ("checkbox", "radio")
Attributes = dict[str, str | None]


@dataclass
class _Piece:
    """A start tag that may be changed, or any other text as it stands."""

    text: str
    tag: str = ""
    given: Attributes = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._before = dict(self.given)

    def __str__(self) -> str:
        if self.given == self._before:
            return self.text
        pairs = [
            name if value is None else f'{name}="{escape(value)}"'
            for name, value in self.given.items()
        ]
        return f"<{' '.join([self.tag, *pairs])}>"


class _Page(HTMLParser):
    """Cut a page into pieces; remember its forms and what folds each of them away."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=False)
        self.pieces: list[_Piece] = []
        self.forms: list[tuple[int, int, tuple[int, ...]]] = []  # from, to, folds around it
        self._folds: list[int] = []
        self._form: int | None = None
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "details":
            self._folds.append(len(self.pieces))
        elif tag == "form":
            self._form = len(self.pieces)
        self.pieces.append(_Piece(self.get_starttag_text() or "", tag, dict(attrs)))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._keep(self.get_starttag_text() or "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "details" and self._folds:
            self._folds.pop()
        elif tag == "form" and self._form is not None:
            self.forms.append((self._form, len(self.pieces), tuple(self._folds)))
            self._form = None
        self._keep(f"</{tag}>")

    def handle_data(self, data: str) -> None:
        self._keep(data)

    def handle_entityref(self, name: str) -> None:
        self._keep(f"&{name};")

    def handle_charref(self, name: str) -> None:
        self._keep(f"&#{name};")

    def handle_decl(self, decl: str) -> None:
        self._keep(f"<!{decl}>")

    def handle_comment(self, data: str) -> None:
        self._keep(f"<!--{data}-->")

    def _keep(self, text: str) -> None:
        self.pieces.append(_Piece(text))


def shown_again(
    request: SignedIn, page: HttpResponse, fault: Fault, elsewhere: HttpResponse
) -> HttpResponse:
    """The page with the form that was sent as it was typed, its fault, and the cursor in it.

    Parameters
    ----------
    page
        As it is rendered for anybody.
    elsewhere
        Where to say the fault when the page has no such form (any more).
    """
    kept = with_fault(request, page.content.decode(), fault)
    if not kept:
        messages.error(request, str(fault))
        return elsewhere
    page.content = kept.encode()
    page.status_code = HTTPStatus.UNPROCESSABLE_ENTITY
    return page


def filled_again(request: SignedIn, page: HttpResponse) -> HttpResponse:
    """The page with every form of it that was sent as it was typed, where it asks about that."""
    kept = _Page(page.content.decode())
    for start, end, _ in kept.forms:
        if _is_sent(kept.pieces[start:end], request):
            _fill(kept.pieces[start:end], request.POST)
    page.content = "".join(map(str, kept.pieces)).encode()
    return page


def with_fault(request: SignedIn, html: str, fault: Fault) -> str:
    """The page with the fault at the form that was sent; empty when it has no such form."""
    page = _Page(html)
    for start, end, folds in page.forms:
        inside = page.pieces[start:end]
        if not _is_sent(inside, request):
            continue
        for piece in (page.pieces[fold] for fold in folds):
            piece.given["open"] = None
        _unfold(inside, fault.about, request.POST)
        _fill(inside, request.POST)
        _point_out(inside, fault.about)
        again = " Choose the file again." if request.FILES else ""
        words = f"{escape(str(fault))}{again}"
        said = _Piece(f'<p class="field-error" id="{FAULT_ID}" role="alert">{words}</p>')
        page.pieces.insert(start + 1, said)
        return "".join(map(str, page.pieces))
    return ""


def _is_sent(inside: list[_Piece], request: SignedIn) -> bool:
    if inside[0].given.get("action") != request.path:
        return False
    hidden = [one for one in _fields(inside) if one.get("type") == "hidden"]
    return all(
        (one.get("value") or "") in request.POST.getlist(one["name"] or "")
        for one in hidden
        if one["name"] not in BY_ITSELF
    )


def _fields(inside: list[_Piece]) -> list[Attributes]:
    return [one.given for one in inside if one.tag == "input" and "name" in one.given]


def _unfold(inside: list[_Piece], about: str, sent: QueryDict) -> None:
    """Open what folds away, inside the form, a field that the fault is about or that was filled."""
    folds: list[_Piece] = []
    for piece in inside:
        name = piece.given.get("name") or ""
        if piece.tag == "details":
            folds.append(piece)
        elif piece.text == "</details>" and folds:
            folds.pop()
        elif name and piece.given.get("type") != "hidden" and (name == about or sent.get(name)):
            for fold in folds:
                fold.given["open"] = None


def _fill(inside: list[_Piece], sent: QueryDict) -> None:
    for given in _fields(inside):
        kind, values = given.get("type") or "text", sent.getlist(given["name"] or "")
        if kind in CHOICES:
            _mark(given, "checked", (given.get("value") or "on") in values)
        elif values and kind != "file" and given["name"] != "csrfmiddlewaretoken":
            given["value"] = values[0]
    chosen: list[str] = []
    for piece, after in zip(inside, [*inside[1:], _Piece("")], strict=True):
        given = piece.given
        if piece.tag == "select":
            chosen = sent.getlist(given.get("name") or "")
        elif piece.tag == "option" and chosen:
            own = given["value"] if "value" in given else after.text.strip()
            _mark(given, "selected", (own or "") in chosen)


def _mark(given: Attributes, mark: str, wanted: bool) -> None:
    given.pop(mark, None)
    if wanted:
        given[mark] = None


def _point_out(inside: list[_Piece], about: str) -> None:
    """Put the cursor where the fault is, else in the first field, which brings it into view."""
    named = [
        one.given
        for one in inside
        if one.tag in ("input", "select") and one.given.get("type") != "hidden"
    ]
    wrong = [one for one in named if about and one.get("name") == about]
    for one in wrong:
        one["aria-invalid"] = "true"
    for one in (wrong or named)[:1]:
        one |= {"autofocus": None, "aria-describedby": FAULT_ID}
