"""ES modules joined into one classic script, for where a browser loads no modules.

A map that was saved as one file is opened from disk, where modules cannot import each other, and
not every browser runs a worker that is a module.
"""

from __future__ import annotations

import re
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Final

from layers.errors import LayersError

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["imported_modules", "join_modules"]

_NAMES: Final = r"\{(?:(?! as )[^}])*\}|\* as \w+"  # without renaming
_IMPORT: Final = re.compile(rf'^import (?:({_NAMES}) from )?"([^"]+)";\n', re.MULTILINE)
_EXPORT: Final = re.compile(r"^export ((?:async )?(?:function|class|const) (\w+))", re.MULTILINE)
_OTHER: Final = re.compile(r"^(?:import|export)\b.*", re.MULTILINE)


def imported_modules(text: str) -> list[str]:
    """File names of the modules that a module imports itself, in its order."""
    return [PurePosixPath(match[2]).name for match in _IMPORT.finditer(text)]


def join_modules(text: str, read: Callable[[str], str]) -> str:
    """Join a module and all that it imports into one classic script, in strict mode.

    Each module becomes a function of its own, so that equal names in two of them stay apart; no
    name is left behind. Understood are `import "FILE"`, `import {A, B} from "FILE"` and
    `import * as A from "FILE"` without renaming, and `export` before a function, class or
    `const`. `read` gives the text of a module by its file name. LayersError where modules import
    each other in a circle, or one imports or exports in another way.

    Examples
    --------
    >>> start = 'import { a } from "./a.js";' + chr(10) + "g(a);"
    >>> print(join_modules(start, lambda _: "export const a = 1;"))
    (() => {
    "use strict";
    const a_js = (() => {
    const a = 1;
    return { a };
    })();
    const { a } = a_js;
    g(a);
    })();
    """
    parts: list[str] = []
    _add(text, read, parts, set(), ())
    return '(() => {\n"use strict";\n' + "".join(parts) + "})();\n"


def _add(
    text: str,
    read: Callable[[str], str],
    parts: list[str],
    added: set[str],
    importers: tuple[str, ...],
) -> None:
    """Append a module to `parts` after those that it imports."""
    for name in imported_modules(text):
        if name in importers:
            raise LayersError(f"{name} imports itself, by way of {importers[-1]}.")
        if name not in added:
            _add(read(name), read, parts, added, (*importers, name))
            added.add(name)

    def bound(match: re.Match[str]) -> str:
        names, variable = match[1], _variable(match[2])
        return f"const {names.removeprefix('* as ')} = {variable};\n" if names else ""

    exports = [match[2] for match in _EXPORT.finditer(text)]
    body = _EXPORT.sub(r"\1", _IMPORT.sub(bound, text)).rstrip("\n")
    if other := _OTHER.search(body):
        raise LayersError(f"Modules cannot be joined: {other[0]!r} is not understood.")
    if importers:
        body = (
            f"const {_variable(importers[-1])} = (() => {{\n{body}\n"
            f"return {{ {', '.join(exports)} }};\n}})();"
        )
    parts.append(body + "\n")


def _variable(address: str) -> str:
    return re.sub(r"\W", "_", PurePosixPath(address).name)
