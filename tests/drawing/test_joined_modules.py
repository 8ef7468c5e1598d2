"""Modules joined into one script: names stay apart, each runs once, other forms are refused."""

import json
import shutil
import subprocess

import pytest

from layers.drawing.joined_modules import imported_modules, join_modules
from layers.errors import LayersError

MODULES = {
    "a.js": 'import { name } from "./c.js";\nconst own = "a";\nexport const said = own + name;\n',
    "b.js": (
        'import {\n  name,\n  count,\n} from "./lib/c.js";\nconst own = "b";\n'
        "export function say() {\n  return own + name + count();\n}\n"
        "export async function wait() {}\nexport class Kind extends Error {}\n"
    ),
    "c.js": 'let n = 0;\nn += 1;\nexport const name = "c";\nexport const count = () => n;\n',
}
START = (
    'import { said } from "./a.js";\nimport * as b from "./b.js";\nimport "./c.js";\n'
    "console.log(JSON.stringify([said, b.say(), new b.Kind() instanceof Error]));\n"
)


def test_joined_script_says_what_its_modules_say(tmp_path):
    """Node runs the modules as they are, after ECMA-262; the joined script says the same."""
    if shutil.which("node") is None:
        pytest.skip("no Node is installed here (apt-get install nodejs)")
    (tmp_path / "lib").mkdir()
    (tmp_path / "package.json").write_text('{"type": "module"}')
    for name, text in MODULES.items():
        (tmp_path / name).write_text(text)
        (tmp_path / "lib" / name).write_text('export * from "../c.js";\n')
    (tmp_path / "start.js").write_text(START)
    (tmp_path / "joined.cjs").write_text(join_modules(START, MODULES.__getitem__))
    said = [
        subprocess.run(["node", tmp_path / name], capture_output=True, check=True).stdout
        for name in ("start.js", "joined.cjs")
    ]
    assert said[0] == said[1]
    assert json.loads(said[0]) == ["ac", "bc1", True]


def test_each_module_stands_once_and_before_its_importers():
    """However many import it."""
    joined = join_modules(START, MODULES.__getitem__)
    places = [joined.index(f"const {name} = (() =>") for name in ("c_js", "a_js", "b_js")]
    assert places == sorted(places)
    assert joined.count("let n = 0;") == 1
    assert imported_modules(START) == ["a.js", "b.js", "c.js"]


@pytest.mark.parametrize(
    "line",
    [
        "export default 3;",
        "export let n = 1;",
        "export { a };",
        'import x from "./a.js";',
        'export * from "./a.js";',
        'import { said as a } from "./a.js";',
    ],
)
def test_other_forms_are_refused(line):
    """What would be joined wrongly is an error when the file is written."""
    with pytest.raises(LayersError, match="not understood"):
        join_modules(line + "\n", MODULES.__getitem__)


def test_a_circle_is_refused():
    """Modules that import each other have no order."""
    circle = {"a.js": 'import { b } from "./b.js";\n', "b.js": 'import { a } from "./a.js";\n'}
    with pytest.raises(LayersError, match="imports itself"):
        join_modules(circle["a.js"], circle.__getitem__)
