"""The forms of a page, and what a browser would send of one that nobody touched."""

from dataclasses import dataclass, field
from html.parser import HTMLParser


@dataclass
class Select:
    name: str
    required: bool
    options: list[str] = field(default_factory=list)
    chosen: str | None = None  # marked by the page

    @property
    def sent(self) -> str:
        """What goes out untouched: the marked option, else the first."""
        return self.options[0] if self.chosen is None and self.options else self.chosen or ""


@dataclass
class Form:
    action: str
    method: str
    sent: dict[str, list[str]] = field(default_factory=dict)  # inputs as they stand
    needed: dict[str, str] = field(default_factory=dict)  # required and empty: name to type
    offered: dict[str, list[str]] = field(default_factory=dict)  # required radios
    selects: list[Select] = field(default_factory=list)
    buttons: list[tuple[str, str]] = field(default_factory=list)
    files: list[str] = field(default_factory=list)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.forms: list[Form] = []
        self.form: Form | None = None
        self.select: Select | None = None
        self.option = False

    def handle_starttag(self, tag: str, pairs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in pairs}
        if tag == "form":
            self.form = Form(given.get("action", ""), given.get("method", "get").lower())
            self.forms.append(self.form)
        elif self.form is None:
            return
        elif tag == "input":
            self._input(self.form, given)
        elif tag == "button" and given.get("type", "submit") == "submit":
            self.form.buttons.append((given.get("name", ""), given.get("value", "")))
        elif tag == "select":
            self.select = Select(given["name"], "required" in given)
            self.form.selects.append(self.select)
        elif tag == "option" and self.select is not None:
            self._option(self.select, given)

    def _input(self, form: Form, given: dict[str, str]) -> None:
        name, kind = given.get("name", ""), given.get("type", "text")
        if not name or kind in {"submit", "button"}:
            return
        if kind == "file":
            form.files.append(name)
        elif kind in {"radio", "checkbox"}:
            if "checked" in given:
                form.sent.setdefault(name, []).append(given.get("value", "on"))
            elif "required" in given:
                form.offered.setdefault(name, []).append(given["value"])
        elif given.get("value") or "required" not in given:
            form.sent.setdefault(name, []).append(given.get("value", ""))
        else:
            form.needed[name] = given.get("inputmode", kind)

    def _option(self, select: Select, given: dict[str, str]) -> None:
        self.option = "value" not in given
        select.options.append(given.get("value", ""))
        if "selected" in given:
            select.chosen = given.get("value", "")
            self.option = self.option or "value" not in given

    def handle_data(self, data: str) -> None:
        if self.option and self.select is not None and data.strip():
            if self.select.chosen == "" and self.select.options[-1] == "":
                self.select.chosen = data.strip()
            self.select.options[-1] = data.strip()

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self.form = None
        elif tag == "select":
            self.select = None
        elif tag == "option":
            self.option = False


def forms_of(html: str) -> list[Form]:
    reader = _Reader()
    reader.feed(html)
    return reader.forms
