"""How much a browser is sent: files and pages compressed, tags of the API as they are."""

import gzip
import re
from pathlib import Path

import pytest
from django.test import Client
from django.utils import timezone

from config import static_files
from config.static_files import compressed
from fleet.dashboard.plotly_bundle import BUNDLE, package_data
from tests.cast import Cast
from tests.dashboard.arranged import arrange
from tests.kept import kept

pytestmark = pytest.mark.django_db
TAKES = {"HTTP_ACCEPT_ENCODING": "gzip, br"}
# what a page may weigh, all of it as sent
WITH_A_CHART, WITHOUT = 1_700_000, 150_000


@kept
def people() -> Cast:
    return arrange(timezone.now())


@pytest.fixture
def client(people: Cast) -> Client:
    client = Client(**TAKES)
    client.force_login(people.supervisor)
    return client


def sent(client: Client, address: str) -> int:
    """Bytes of a body as it goes out."""
    answer = client.get(address)
    assert answer.status_code == 200, address
    return len(answer.content if not answer.streaming else b"".join(answer))  # type: ignore[arg-type]


def weight(client: Client, address: str) -> int:
    """A page with every file that it names."""
    html = client.get(address)
    text = gzip.decompress(html.content).decode()
    files = set(re.findall(r'(?:src|href)="(/static/[^"]+)"', text))
    assert files
    return len(html.content) + sum(sent(client, one) for one in files)


@pytest.mark.parametrize(
    "address",
    ["/due", "/work-orders", "/todays-orders", "/findings", "/readings", "/stock", "/runs",
     "/consumables", "/people-and-tokens", "/costs"],
)  # fmt: skip
def test_a_page_without_a_chart_is_light(address: str, client: Client) -> None:
    assert weight(client, address) <= WITHOUT


@pytest.mark.parametrize("address", ["/vehicles/V-101"])
def test_the_first_page_with_a_chart_is_no_burden(address: str, client: Client) -> None:
    assert weight(client, address) <= WITH_A_CHART


def test_a_compressed_file_is_the_file(client: Client) -> None:
    answer = client.get("/static/plotly/plotly.min.js")
    assert answer["Content-Encoding"] == "gzip"
    assert "Accept-Encoding" in answer["Vary"]
    whole = gzip.decompress(b"".join(answer))  # type: ignore[arg-type]
    assert whole == (package_data() / BUNDLE).read_bytes()


def test_who_takes_nothing_compressed_is_sent_the_file_itself(people: Cast) -> None:
    answer = Client().get("/static/dashboard/base.css")
    assert "Content-Encoding" not in answer
    assert b"box-sizing" in b"".join(answer)  # type: ignore[arg-type]


def test_the_tag_of_an_api_row_is_not_weakened(client: Client) -> None:
    answer = client.get("/api/v1/vehicles")
    assert "Content-Encoding" not in answer
    assert client.get("/due")["Content-Encoding"] == "gzip"


# --- the copies ------------------------------------------------------------------------------
@pytest.fixture
def folder(tmp_path: Path, settings: object) -> Path:
    settings.DATA_DIR = tmp_path  # type: ignore[attr-defined]
    return tmp_path / static_files.FOLDER


def a_file(tmp_path: Path, text: str, name: str = "one.css") -> Path:
    path = tmp_path / name
    path.write_text(text)
    return path


def test_a_changed_file_has_another_copy(tmp_path: Path, folder: Path) -> None:
    first = compressed(a_file(tmp_path, "a" * 2_000))
    second = compressed(a_file(tmp_path, "b" * 2_001))
    assert first is not None
    assert second is not None
    assert first != second
    assert gzip.decompress(second.read_bytes()) == b"b" * 2_001
    assert len(list(folder.iterdir())) == 2


def test_small_files_and_pictures_go_out_as_they_are(tmp_path: Path, folder: Path) -> None:
    assert compressed(a_file(tmp_path, "a" * 10)) is None
    assert compressed(a_file(tmp_path, "a" * 2_000, "one.png")) is None
    assert not folder.exists()


def test_where_nothing_can_be_written_the_file_itself_goes_out(
    tmp_path: Path, folder: Path
) -> None:
    folder.write_text("a file in the way")
    assert compressed(a_file(tmp_path, "a" * 2_000)) is None
