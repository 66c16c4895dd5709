"""A form of a page as it was rendered, to be sent as a tap sends it."""

import re
from html.parser import HTMLParser
from typing import Any

from django.test import Client


class _Fields(HTMLParser):
    """What a form holds before anybody touches it: inputs and chosen options."""

    def __init__(self) -> None:
        super().__init__()
        self.found: dict[str, str] = {}
        self.select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "input" and given.get("type") not in ("radio", "checkbox", "file"):
            self.found[given["name"]] = given.get("value", "")
        elif tag == "input" and "checked" in dict(attrs):
            self.found[given["name"]] = given.get("value", "on")
        elif tag == "select":
            self.select = given["name"]
            self.found[self.select] = ""
        elif tag == "option" and "selected" in given:
            self.found[self.select] = given.get("value", "")


def form(html: str, mark: str) -> tuple[str, dict[str, str]]:
    """Where the first form that contains a text is sent, and its fields untouched."""
    whole = next(one for one in re.findall(r"<form.*?</form>", html, re.S) if mark in one)
    fields = _Fields()
    fields.feed(whole)
    action = re.search(r'action="([^"]*)"', whole)
    assert action is not None
    return action[1], fields.found


def page(client: Client, address: str) -> str:
    return client.get(address).content.decode()


def send(client: Client, html: str, mark: str, **typed: Any) -> Any:
    """Send the form that contains a text, with what was typed into it."""
    where, fields = form(html, mark)
    return client.post(where, {**fields, **typed})
