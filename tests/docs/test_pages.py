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


def test_each_shape_of_json_that_a_command_prints_is_told():
    told = "".join(page.read_text("utf-8") for page in DOCS.glob("*.md"))
    printed = {
        name
        for file in (DOCS.parent / "agent" / "cli").glob("*.py")
        for name in re.findall(r"\b_?emit\(\s*\"([\w.-]+)\"", file.read_text("utf-8"))
    }
    assert len(printed) > 20
    assert {
        name for name in printed if f"`lowmark.{name}.v1`" not in told and f'"lowmark.{name}.v1"' not in told
    } == set()
