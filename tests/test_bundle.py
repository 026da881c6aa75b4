"""Modules put together into one script: order, names, and what is refused."""

from __future__ import annotations

import subprocess

import pytest

from siting.report.shared.assets import page_script, template_text
from siting.web.bundle import bundle
from tests.web.node import node


def bundled(files, entry="start.js"):
    return bundle(entry, read=files.__getitem__)


def ran(script):
    done = subprocess.run([node(), "-e", script], capture_output=True, text=True, check=True)
    return done.stdout.strip()


def test_a_module_runs_once_and_after_what_it_needs():
    files = {
        "start.js": 'import { two } from "./sub/two.js";\nimport { one } from "./one.js";\n'
        "console.log(one, two);",
        "sub/two.js": 'import { one } from "../one.js";\nexport const two = one + one;',
        "one.js": 'console.log("once");\nexport const one = 1;',
    }
    assert ran(bundled(files)) == "once\n1 2"


def test_the_same_name_in_two_modules_is_no_clash():
    files = {
        "start.js": 'import { a as first } from "./a.js";\nimport {\n  b,\n} from "./b.js";\n'
        'const own = "start";\nconsole.log(first(), b(), own);',
        "a.js": 'const own = "a";\nexport function a() { return own; }',
        "b.js": 'const own = "b";\nexport async function none() {}\nexport const b = () => own;',
    }
    assert ran(bundled(files)) == "a b start"


def test_modules_are_strict_and_leave_no_name():
    files = {"start.js": "export class Kept {}\nconsole.log((function () { return this; })());"}
    assert ran(f"(function () {{ {bundled(files)} }})(); console.log(typeof Kept)").split() == [
        "undefined",
        "undefined",
    ]


@pytest.mark.parametrize(
    ("files", "words"),
    [
        ({"start.js": 'import { a } from "./a.js";', "a.js": 'import { b } from "./start.js";'},
         "in a circle: start.js -> a.js -> start.js"),
        ({"start.js": 'import { gone } from "./a.js";', "a.js": "export const a = 1;"},
         "a.js does not export gone"),
        ({"start.js": 'import all from "./a.js";'}, "not understood: import all"),
        ({"start.js": 'import "./a.js";'}, "not understood"),
        ({"start.js": "export default 1;"}, "not understood: export default"),
        ({"start.js": "export let a = 1;"}, "not understood: export let"),
        ({"start.js": 'export { a } from "./a.js";'}, "not understood"),
        ({"start.js": 'import { a } from "elsewhere";'}, "not understood"),
    ],
)  # fmt: skip
def test_what_is_not_understood_is_refused(files, words):
    with pytest.raises(ValueError, match=words):
        bundled(files)


@pytest.mark.parametrize("entry", ["map/start.js", "overview/start.js"])
def test_the_pages_scripts_are_the_same_each_time(entry):
    script = page_script(entry)
    assert script == page_script(entry)
    for line in script.splitlines():
        assert not line.startswith(("import ", "export "))
    assert template_text(entry).splitlines()[-1] in script
