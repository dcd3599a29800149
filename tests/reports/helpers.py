"""What several tests of the reports need: a look at HTML, and a check of data against a schema."""

from html.parser import HTMLParser

_VOID = {"meta", "br", "hr", "img", "input", "link", "path", "circle", "use"}


class Page(HTMLParser):
    """Reads a page and keeps its tags, ids, references and text; unbalanced tags are an error."""

    def __init__(self, html):
        super().__init__()
        self.tags, self.ids, self.targets, self.words = [], [], [], []
        self.alternatives = []
        self._open = []
        self.feed(html)
        self.close()
        assert not self._open, f"never closed: {self._open}"

    def handle_starttag(self, tag, attrs):
        self._note(tag, attrs)
        if tag not in _VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self._note(tag, attrs)

    def handle_endtag(self, tag):
        if tag not in _VOID:
            assert self._open, f"</{tag}> closes nothing"
            assert self._open.pop() == tag, f"</{tag}> closes another tag"

    def handle_data(self, data):
        if self._open and self._open[-1] != "style":
            self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())

    def _note(self, tag, attrs):
        self.tags.append(tag)
        for name, value in attrs:
            if name == "id":
                self.ids.append(value)
            if name == "alt":
                self.alternatives.append(value)
            if name in ("href", "src", "action", "data", "poster", "srcset", "xlink:href"):
                self.targets.append(value)


_TYPES = {
    "object": dict,
    "array": list,
    "string": str,
    "boolean": bool,
    "null": type(None),
}


def departures(value, schema, root=None, at="$"):
    """Where a value departs from a JSON Schema (the few keywords that ours uses)."""
    root = root or schema
    if "$ref" in schema:
        return departures(value, root["$defs"][schema["$ref"].rpartition("/")[2]], root, at)
    if "anyOf" in schema:
        tried = [departures(value, option, root, at) for option in schema["anyOf"]]
        return [] if any(not found for found in tried) else min(tried, key=len)
    found = _wrong_value(value, schema, at)
    if isinstance(value, dict) and not found:
        known = schema.get("properties", {})
        extra = schema.get("additionalProperties", True)
        found += [
            f"{at}: {key} is missing" for key in schema.get("required", ()) if key not in value
        ]
        for key, item in value.items():
            if key in known:
                found += departures(item, known[key], root, f"{at}.{key}")
            elif extra is False:
                found.append(f"{at}: {key} is not in the schema")
            elif isinstance(extra, dict):
                found += departures(item, extra, root, f"{at}.{key}")
    if isinstance(value, list) and not found and "items" in schema:
        for i, item in enumerate(value):
            found += departures(item, schema["items"], root, f"{at}[{i}]")
    return found


def _wrong_value(value, schema, at):
    if "const" in schema and value != schema["const"]:
        return [f"{at}: {value!r} is not {schema['const']!r}"]
    if "enum" in schema and value not in schema["enum"]:
        return [f"{at}: {value!r} is none of {schema['enum']}"]
    wanted = schema.get("type", [])
    wanted = [wanted] if isinstance(wanted, str) else wanted
    if wanted and not any(_is_of(value, name) for name in wanted):
        return [f"{at}: {value!r} is no {' or '.join(wanted)}"]
    if isinstance(value, list) and not (
        schema.get("minItems", 0) <= len(value) <= schema.get("maxItems", len(value))
    ):
        return [f"{at}: {len(value)} items"]
    if "minimum" in schema and isinstance(value, int) and value < schema["minimum"]:
        return [f"{at}: {value} is too small"]
    return []


def _is_of(value, name):
    if name in ("number", "integer"):
        kinds = (int,) if name == "integer" else (int, float)
        return isinstance(value, kinds) and not isinstance(value, bool)
    return isinstance(value, _TYPES[name])
