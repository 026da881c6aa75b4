"""One script from the page's modules, put together without node.

Each module becomes a function that returns what it exports; imports become the names taken from
what those functions returned. So no two modules can clash by a name, and the order of the modules
is the order of their imports. Only two plain forms are understood, and anything else is refused:

    import { one, two as three } from "./other.js";
    export function name ... / export async function name ... / export const NAME ... / export class
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Callable

# Paths of letters, digits, slashes and dots only, so that no two make the same name.
_IMPORT = re.compile(r'^import \{([^}]*)\} from "(\.{1,2}/[A-Za-z0-9/.]+\.js)";$', re.MULTILINE)
_EXPORT = re.compile(
    r"^export (?=(?:async function|function|const|class) ([A-Za-z_$][\w$]*))", re.MULTILINE
)
_LEFT_OVER = re.compile(r"^\s*(?:import|export)\b.*$", re.MULTILINE)


def bundle(entry: str, *, read: Callable[[str], str]) -> str:
    """The modules that `entry` needs as one script, itself last.

    Parameters
    ----------
    entry : str
        Path of the first module, "/" between its parts, as `read` knows it.
    read : callable
        Text of a module by its path.

    Returns
    -------
    str
        A script for the inside of a function; the same for the same modules.

    Raises
    ------
    ValueError
        For a cycle, a name that is imported but not exported, or a form not understood.

    Examples
    --------
    >>> files = {"a.js": 'import { b } from "./b.js";\\nb();', "b.js": "export const b = () => 1;"}
    >>> print(bundle("a.js", read=files.__getitem__))
    const $b$js = (function () {
    "use strict";
    const b = () => 1;
    return { b };
    })();
    const $a$js = (function () {
    "use strict";
    const { b } = $b$js;
    b();
    return {  };
    })();
    """
    done: dict[str, frozenset[str]] = {}
    return "\n".join(_modules(entry, read=read, done=done, trail=()))


def _modules(
    path: str,
    *,
    read: Callable[[str], str],
    done: dict[str, frozenset[str]],
    trail: tuple[str, ...],
) -> list[str]:
    """The functions of a module and of all it needs that are not yet done, in order."""
    if path in trail:
        raise ValueError(f"modules import in a circle: {' -> '.join((*trail, path))}")
    if path in done:
        return []
    # A checkout on Windows has other line ends and must give the same script.
    text = read(path).replace("\r\n", "\n").rstrip("\n")
    out: list[str] = []
    for _, source in _IMPORT.findall(text):
        needed = _beside(path, source)
        out += _modules(needed, read=read, done=done, trail=(*trail, path))
    exported = _EXPORT.findall(text)
    body = _IMPORT.sub(lambda match: _taken(path, match, done), text)
    body = _EXPORT.sub("", body)
    if left := _LEFT_OVER.search(body):
        raise ValueError(f"{path}: not understood: {left.group().strip()}")
    done[path] = frozenset(exported)
    # Modules are strict by themselves, functions are not.
    inside = f'"use strict";\n{body}\nreturn {{ {", ".join(exported)} }};'
    return [*out, f"const {_name(path)} = (function () {{\n{inside}\n}})();"]


def _taken(path: str, match: re.Match[str], done: dict[str, frozenset[str]]) -> str:
    """An import as names taken from what the other module returned."""
    source, names = _beside(path, match[2]), []
    for wanted in filter(None, (part.strip() for part in match[1].split(","))):
        name, _, own = wanted.partition(" as ")
        if name not in done[source]:
            raise ValueError(f"{path}: {source} does not export {name}")
        names.append(f"{name}: {own}" if own else name)
    return f"const {{ {', '.join(names)} }} = {_name(source)};"


def _beside(path: str, source: str) -> str:
    return posixpath.normpath(posixpath.join(posixpath.dirname(path), source))


def _name(path: str) -> str:
    """A name for what a module returns; different for different paths."""
    return "$" + path.replace("/", "_").replace(".", "$")
