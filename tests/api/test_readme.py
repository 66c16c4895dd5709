"""What README shows a client does what it says, with a token of the scopes that it names."""

import json
import re
import shlex

from rest_framework.test import APIClient

from config.settings import BASE_DIR
from fleet.people import tokens
from fleet.workorders.models import Job, WorkOrder
from tests.api.routes import BASE
from tests.cast import Cast
from tests.dashboard.workshop import Workshop, open_workshop
from tests.kept import kept

SECTION = (BASE_DIR / "README.md").read_text().partition("## For a client of the API\n")[2]
LINES = SECTION.partition("```\n")[2].partition("```")[0].splitlines()
AT = "http://127.0.0.1:8000"


@kept
def shop(running: Cast) -> Workshop:
    return open_workshop(running)


def test_each_line_of_readme_does_what_it_shows(shop: Workshop) -> None:
    token_line, *calls = LINES
    scopes = re.findall(r"--scope (\S+)", token_line)
    _, secret = tokens.issue(person=shop.people.mechanic, label="phone", scopes=scopes, days=90)
    answers = [called(line, secret, shop) for line in calls]
    assert [answer.status_code for answer in answers] == [200, 200, 201], answers[-1].content
    assert answers[0].json()["rows"][0]["card"]["jobs"][0]["fasteners"]
    assert WorkOrder.objects.get(pk=shop.order.pk).state == "started"
    assert Job.objects.get(order=shop.order).torques.count() == 1


def called(line: str, secret: str, shop: Workshop) -> object:
    """Send what a curl line sends; its invented numbers stand for the order of the tests."""
    line = line.replace("$TOKEN", secret).replace("W-000013", shop.order.number)
    line = line.replace("/jobs/13/", f"/jobs/{shop.job.pk}/")
    words = shlex.split(line)[1:]
    headers, body, url = {}, None, ""
    while words:
        word = words.pop(0)
        if word == "-H":
            name, _, value = words.pop(0).partition(": ")
            headers[name] = value
        elif word == "--json":
            body = json.loads(words.pop(0))
        elif word == "-X":
            words.pop(0)
        else:
            url = word
    assert url.startswith(f"{AT}{BASE}/")
    client = APIClient()
    if "-X POST" in line or body is not None:
        return client.post(url.removeprefix(AT), body, "json", headers=headers)
    return client.get(url.removeprefix(AT), headers=headers)
