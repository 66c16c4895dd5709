"""A window that outlasts a test keeps nothing of it."""

from typing import TYPE_CHECKING, Any

from tests.browser.conftest import Windows
from tests.cast import Cast

if TYPE_CHECKING:
    from playwright.sync_api import Page
else:
    Page = Any

LEAVE = """async () => {
  document.cookie = "left=yes";
  localStorage.left = "yes";
  await (await caches.open("left")).put("/left", new Response("yes"));
  await new Promise((done) => { indexedDB.open("left").onsuccess = done; });
  await navigator.serviceWorker.register("/service-worker.js");
  await navigator.serviceWorker.ready;
}"""
FIND = """async () => [
  document.cookie, localStorage.length, await caches.keys(), await indexedDB.databases(),
  await navigator.serviceWorker.getRegistrations(),
]"""


def test_what_a_page_left_is_gone_with_its_test(page: Page, windows: Windows, people: Cast) -> None:
    page.goto("/todays-orders")
    page.evaluate(LEAVE)
    assert [len(str(one)) > 2 for one in page.evaluate(FIND)[2:]] == [True] * 3
    window = page.context
    window.route("**/sign-in", lambda route: route.abort())
    windows.clear(window)
    assert page.is_closed()
    (kept,) = window.pages
    assert kept.url == "about:blank"
    after = window.new_page()
    after.goto("/sign-in")
    assert after.url.endswith("/sign-in")  # nobody is signed in
    cookie, *left = after.evaluate(FIND)
    assert ("left" in cookie, *left) == (False, 0, [], [], [])
