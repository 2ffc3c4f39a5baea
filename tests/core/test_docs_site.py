"""The pages build into a site without a warning, and the site needs nothing from elsewhere."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

DOCS = Path(__file__).parents[2] / "docs"

pytest.importorskip("sphinx", reason="the site's generator is in the extra 'docs'")


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    folder = tmp_path_factory.mktemp("site")
    # A copy, since the pages of the reference are written beside the others.
    source = shutil.copytree(
        DOCS, folder / "docs", ignore=shutil.ignore_patterns("reference", "__pycache__")
    )
    done = subprocess.run(
        [sys.executable, "-m", "sphinx", "-q", "-W", "--keep-going", source, folder / "site"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, (
        f"{done.stderr}\nA page that is 'not included in any toctree' wants a line in docs/index.md"
    )
    return folder / "site"


def test_every_page_is_there(site):
    for page in DOCS.glob("*.md"):
        assert (site / f"{page.stem}.html").exists()
    for name in ("commands", "steps", "recipe", "writers", "hooks", "api"):
        assert (site / "reference" / f"{name}.html").stat().st_size > 5000


def test_nothing_is_fetched_from_elsewhere(site):
    loads = re.compile(
        r"<(?:script|img|iframe|source|link)\b[^>]*?\b(?:src|href)=[\"'](https?:)?//[^\"']*", re.I
    )
    for page in site.rglob("*.html"):
        found = loads.search(page.read_text(encoding="utf-8"))
        assert not found, f"{page.name}: {found and found[0]}"
    for sheet in site.rglob("*.css"):
        text = sheet.read_text(encoding="utf-8")
        assert not re.search(r"url\([\"']?(https?:)?//|@import", text), sheet.name


def test_the_search_index_knows_the_words(site):
    index = (site / "searchindex.js").read_text(encoding="utf-8")
    assert "winsoris" in index
    assert "check_step" in index
