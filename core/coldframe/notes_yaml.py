"""The YAML form of a notes file; the format is described in `coldframe.notes`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from coldframe import notes_values as values
from coldframe.frame import Kind
from coldframe.notes import FileNote, Notes
from coldframe.notes_parser import CLOCK, OWN, READING, Parser, Place, Reading
from coldframe.notes_units import Understood, understand, unknown
from coldframe.yamlpos import Positions, load_with_positions

_TOP = (*CLOCK, *values.FACTS, "temperatures", "kinds", "files")
_ENTRY = ("match", *OWN, *values.FACTS)
_VALUES = {*CLOCK, *READING, *OWN, *values.FACTS}
"""Keys that may be written with a unit behind them; all others stand as they are."""
_Path = tuple[str | int, ...]


def _understood(key: str, keys: Sequence[str]) -> Understood | None:
    return understand(key, keys if key in keys else [k for k in keys if k in _VALUES])


class YamlParser(Parser):
    """Turns a text into Notes, noting every fault."""

    at: Positions

    def parse(self, text: str) -> Notes:
        """The notes, without what had a fault (see `problems`).

        Raises RecipeError when the text is not YAML at all.
        """
        data, self.at = load_with_positions(text, self.file)
        if data is None or not self._mapping(data, (), _TOP, "in a notes file"):
            return Notes(self.file)
        items = self._items(data, (), _TOP)
        self.clock(items)
        return Notes(
            file=self.file,
            facts=self.facts(items),
            temperatures=tuple(self._temperatures(data)),
            utc_offset=self.utc_offset,
            kinds=tuple(self._kinds(data)),
            files=tuple(self._files(data)),
        )

    def _items(
        self, data: Mapping[str, Any], path: _Path, keys: Sequence[str]
    ) -> dict[str, tuple[Any, Place]]:
        items: dict[str, tuple[Any, Place]] = {}
        for key, value in data.items():
            said = _understood(key, keys)
            if said is not None and value is not None:
                self.take(items, said, value, self.at.value((*path, key)))
        return items

    def _mapping(self, data: Any, path: _Path, keys: Sequence[str], where: str) -> bool:
        if not isinstance(data, dict):
            self.say(self.at.value(path), f"{where} there must be lines of the form key: value")
            return False
        for key in data:
            if _understood(key, keys) is None:
                place = self.at.key((*path, key))
                self.say(place, f"unknown key '{key}' {where}{unknown(key, keys)}")
        return True

    def _entries(
        self, data: Mapping[str, Any], name: str, keys: Sequence[str], needed: Sequence[str]
    ) -> Iterator[tuple[_Path, dict[str, tuple[Any, Place]]]]:
        """The well-formed entries of a list of mappings."""
        entries = data.get(name)
        if entries is None:
            return
        if not isinstance(entries, list):
            self.say(self.at.value((name,)), f"'{name}' must be a list, each entry after a '- '")
            return
        for i, entry in enumerate(entries):
            path = (name, i)
            if not self._mapping(entry, path, keys, f"in an entry of {name}"):
                continue
            items = self._items(entry, path, keys)
            if "time" in needed:
                self.as_reading(items)
            missing = [key for key in needed if key not in items]
            if missing:
                self.say(self.at.value(path), f"an entry of {name} needs {' and '.join(missing)}")
            else:
                yield path, items

    def _temperatures(self, data: Mapping[str, Any]) -> Iterator[Reading]:
        keys = (*READING, "temperature")
        for _, items in self._entries(data, "temperatures", keys, READING):
            yield from self.reading(items)

    def _files(self, data: Mapping[str, Any]) -> Iterator[FileNote]:
        for path, items in self._entries(data, "files", _ENTRY, ("match",)):
            yield self.file_note(self._globs(items["match"][0], (*path, "match")), items)

    def _kinds(self, data: Mapping[str, Any]) -> Iterator[tuple[Kind, tuple[str, ...]]]:
        names = [kind.value for kind in Kind]
        given = data.get("kinds")
        if given is None or not self._mapping(given, ("kinds",), names, "in kinds"):
            return
        for name in given:
            if name in names:
                yield Kind(name), self._globs(given[name], ("kinds", name))

    def _globs(self, value: Any, path: _Path) -> tuple[str, ...]:
        globs = value if isinstance(value, list) else [value]
        good = tuple(glob for glob in globs if isinstance(glob, str) and glob)
        if not good or len(good) < len(globs):
            self.say(self.at.value(path), "must be a glob such as 'darks/*', or a list of globs")
        return good
