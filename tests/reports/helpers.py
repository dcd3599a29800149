"""What several tests of the reports need: a look at HTML, and a check of data against a schema."""

from html.parser import HTMLParser

from jsonschema import Draft202012Validator

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


def departures(value, schema):
    """Where a value departs from a JSON Schema."""
    return [f"{e.json_path}: {e.message}" for e in Draft202012Validator(schema).iter_errors(value)]
