"""axe-core by Deque on the page that a browser shows: rules for WCAG 2.x, levels A and AA."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import axe_core_python
from selenium.webdriver import Chrome

AXE = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text("utf-8")


def nothing_serious(chrome: Chrome, name: str) -> None:
    """Fail where axe finds something serious or critical."""
    chrome.execute_script(AXE)
    found: dict[str, Any] = chrome.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, {resultTypes: ['violations']}).then(done, problem => done({error: String(problem)}));"
    )
    assert "error" not in found, found
    assert found["passes"], "axe looked at nothing"
    grave = [one for one in found["violations"] if one["impact"] in ("serious", "critical")]
    told = [(one["id"], [node["html"][:150] for node in one["nodes"]][:3]) for one in grave]
    assert not grave, f"{name}: {json.dumps(told, indent=1)}"
