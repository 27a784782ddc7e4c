"""The pages that are made from the program are as the program would make them now."""

import re

import pytest

from tests.docs.pages import DOCS, PAGES


@pytest.mark.parametrize("name", PAGES)
def test_page_is_what_the_program_says(name):
    assert (DOCS / name).read_text("utf-8") == PAGES[name](), "run: make docs"


def test_links_of_the_readme_and_the_docs_lead_somewhere():
    root = DOCS.parent
    for page in [root / "README.md", root / "DEVELOPERS.md", *DOCS.glob("*.md")]:
        for target in re.findall(r"\]\(([^)#]+)\)", page.read_text("utf-8")):
            if "://" not in target:
                assert (page.parent / target).exists(), f"{page.name}: {target}"
