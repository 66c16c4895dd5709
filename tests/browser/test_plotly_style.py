"""The style sheet kept for the chart library is the one that it would insert itself."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from django.conf import settings
from django.contrib.staticfiles import finders

if TYPE_CHECKING:
    from playwright.sync_api import Browser
else:
    Browser = Any

KEPT = Path(settings.BASE_DIR) / "fleet" / "dashboard" / "static" / "dashboard" / "plotly.css"
RULES = """[...document.getElementById("plotly.js-style-global").sheet.cssRules]
    .map((rule) => rule.cssText)"""


def test_the_kept_style_sheet_is_that_of_the_installed_version(browser: Browser) -> None:
    page = browser.new_page()
    page.set_content("<div id=place></div>")
    page.add_script_tag(path=str(finders.find("plotly/plotly.min.js")))
    page.evaluate("Plotly.newPlot('place', [{y: [1, 2]}])")
    inserted = page.evaluate(RULES)
    page.close()
    assert KEPT.read_text().split("*/\n", 1)[1].splitlines() == inserted
