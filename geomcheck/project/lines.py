"""Which line of the project file an entry stands on.

``tomllib`` gives values but no places. The values are taken from it alone; tree-sitter's TOML
grammar only supplies line numbers, so that a fault in it could misplace a message but never
change a setting.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, TypeAlias

from geomcheck.finding import EntryRef

#: Path to an entry: table names and list positions, such as ``("vehicle", 0, "part", 2)``.
Key: TypeAlias = tuple[str | int, ...]


class LineMap:
    """Places of the entries of one TOML text.

    Parameters
    ----------
    file : Path
    text : str
        The file's content.
    data : dict
        The same content as ``tomllib`` read it; names in it make entries readable.
    """

    def __init__(self, file: Path, text: str, data: dict[str, Any]) -> None:
        self.file = file
        self._data = data
        self._lines = _locate(text)

    def entries(self) -> tuple[Key, ...]:
        """Every entry that stands in the text."""
        return tuple(self._lines)

    def line(self, key: Key) -> int | None:
        """1-based line of the entry, or of the nearest enclosing one; None if unknown."""
        for length in range(len(key), 0, -1):
            here = key[:length]
            if here in self._lines:
                return self._lines[here]
            # A table that only exists through its children has the line of the first of them.
            under = [line for known, line in self._lines.items() if known[:length] == here]
            if under:
                return min(under)
        return None

    def entry(self, key: Key) -> EntryRef:
        """Reference to the entry with a readable path."""
        return EntryRef(self.file.name, self.line(key), self.describe(key))

    def value(self, key: Key) -> Any:
        """The entry as ``tomllib`` read it; None where there is none."""
        here: Any = self._data
        for step in key:
            here = _descend(here, step)
        return here

    def describe(self, key: Key) -> str:
        """The entry in words: ``vehicle "Sorrel van" > part "bonnet" > size``."""
        words: list[str] = []
        here: Any = self._data
        position = 0
        while position < len(key):
            step = key[position]
            here = _descend(here, step)
            word = shorten(str(step))
            if isinstance(here, list) and position + 1 < len(key):
                index = key[position + 1]
                if isinstance(index, int):
                    here = _descend(here, index)
                    name = here.get("name") if isinstance(here, dict) else None
                    word += f' "{shorten(name)}"' if isinstance(name, str) else f" {index + 1}"
                    position += 1
            words.append(word)
            position += 1
        return " > ".join(words)


def shorten(name: str) -> str:
    """A name for a message: no name that is allowed is cut, what was pasted by mistake is."""
    return name if len(name) <= 120 else f"{name[:60]}..."


def _descend(value: Any, step: str | int) -> Any:
    if isinstance(value, dict) and isinstance(step, str):
        return value.get(step)
    if isinstance(value, list) and isinstance(step, int) and 0 <= step < len(value):
        return value[step]
    return None


def _locate(text: str) -> dict[Key, int]:
    """Line of every table, list entry and key of a TOML text."""
    import tree_sitter
    import tree_sitter_toml

    parser = tree_sitter.Parser(tree_sitter.Language(tree_sitter_toml.language()))
    root = parser.parse(text.encode("utf-8")).root_node
    lines: dict[Key, int] = {}
    counts: dict[Key, int] = {}
    for node in root.named_children:
        if node.type == "pair":
            _locate_pair(node, (), lines)
        elif node.type in ("table", "table_array_element"):
            names = _names(node.named_children[0])
            if node.type == "table_array_element":
                base = _with_positions(tuple(names), counts)
                counts[base] = counts.get(base, 0) + 1
                key: Key = (*base, counts[base] - 1)
            else:
                key = _with_positions(tuple(names), counts)
            lines[key] = node.start_point[0] + 1
            for child in node.named_children[1:]:
                if child.type == "pair":
                    _locate_pair(child, key, lines)
    return lines


def _with_positions(names: tuple[str, ...], counts: dict[Key, int]) -> Key:
    """Insert the current position of every list of tables a header passes through."""
    key: Key = ()
    for number, name in enumerate(names):
        key = (*key, name)
        if number < len(names) - 1 and key in counts:
            key = (*key, counts[key] - 1)
    return key


def _locate_pair(node: Any, base: Key, lines: dict[Key, int]) -> None:
    key: Key = (*base, *_names(node.named_children[0]))
    lines.setdefault(key, node.start_point[0] + 1)
    if len(node.named_children) > 1:
        _locate_value(node.named_children[1], key, lines)


def _locate_value(node: Any, key: Key, lines: dict[Key, int]) -> None:
    if node.type == "inline_table":
        for child in node.named_children:
            if child.type == "pair":
                _locate_pair(child, key, lines)
    elif node.type == "array":
        items = [child for child in node.named_children if child.type != "comment"]
        for number, child in enumerate(items):
            lines[(*key, number)] = child.start_point[0] + 1
            _locate_value(child, (*key, number), lines)


def _names(node: Any) -> list[str]:
    if node.type == "dotted_key":
        return [name for child in node.named_children for name in _names(child)]
    text: str = node.text.decode("utf-8")
    if node.type == "quoted_key":
        return [text[1:-1]]
    return [text]
