"""What waits for an answer is told anew once something was answered, or a sheet came in."""

from tests.browser.conftest import Page
from tests.cast import Cast
from tests.dashboard.test_readings import held


def test_what_waits_is_counted_again_after_an_answer_and_a_sheet(page: Page, people: Cast) -> None:
    held(people)
    page.goto("/readings")
    told, uploads = page.locator("#to-answer"), page.locator("#uploads")
    told.get_by_role("link", name="1 held reading").wait_for()
    page.get_by_label("Reason").first.fill("typing error")
    page.get_by_role("button", name="Reject", exact=True).click()
    told.get_by_text("Nothing waits for an answer").wait_for()
    assert uploads.get_by_text("No sheet has been uploaded yet").is_visible()
    sheet = b"vehicle,date,odometer [km]\nV-999,2026-01-05,5000\n"
    page.locator("#file").set_input_files(
        {"name": "monday.csv", "mimeType": "text/csv", "buffer": sheet}
    )
    page.get_by_role("button", name="Upload", exact=True).click()
    told.get_by_role("link", name="monday.csv").wait_for()
    uploads.get_by_role("link", name="monday.csv").wait_for()
