"""The pages' modules run under node, for tests that hold them against Python."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

WEB = Path(__file__).parents[2] / "siting" / "web"


def node() -> str:
    """Where node is; without it a test is skipped, in CI it fails."""
    found = shutil.which("node")
    if found is None:
        words = "node is not installed: the pages' modules are not run"
        if os.environ.get("SITING_CI"):
            pytest.fail(words)
        pytest.skip(words)
    return found


def run_module(module: str, body: str, data: Any) -> Any:
    """What `body`, the inside of a function of (module, data), returns as JSON.

    Parameters
    ----------
    module : str
        A path below siting/web.
    body : str
        JavaScript; `m` is the module and `data` the data.
    data : anything that JSON can hold
    """
    script = (
        'import { readFileSync } from "node:fs";\n'
        f"import * as m from {json.dumps((WEB / module).as_uri())};\n"
        'const data = JSON.parse(readFileSync(0, "utf8"));\n'
        f"const out = await (async () => {{\n{body}\n}})();\n"
        "process.stdout.write(JSON.stringify(out));\n"
    )
    done = subprocess.run(
        [node(), "--input-type=module", "-e", script],
        input=json.dumps(data),
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)
