"""Reads a page as a browser would: text, tags, and whether they nest."""

from __future__ import annotations

import re
from html.parser import HTMLParser

VOID = {"meta", "link", "img", "br", "hr", "input"}


class Reader(HTMLParser):
    """Collects text, tags and attributes, and holds that tags nest."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.stack, self.tags, self.ids, self.text, self.faults = [], [], [], [], []
        self.feed(text)
        self.close()
        self.faults += self.stack

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if "id" in dict(attrs):
            self.ids.append(dict(attrs)["id"])
        if tag not in VOID:
            self.stack.append(tag)

    def handle_endtag(self, tag):
        if not self.stack or self.stack.pop() != tag:
            self.faults.append(f"</{tag}>")

    def handle_data(self, data):
        if not {"style", "title"} & set(self.stack):
            self.text.append(data)

    @property
    def words(self):
        return re.sub(r"\s+", " ", " ".join(self.text)).replace("\xa0", " ")


def external(reader):
    """What the page would fetch: nothing but data inside it and anchors of its own."""
    found = []
    for tag, attrs in reader.tags:
        for name in (
            "src", "href", "srcset", "data", "action", "poster", "xlink:href", "background",
        ):  # fmt: skip
            value = attrs.get(name)
            if value and not value.startswith(("data:", "#")):
                found.append((tag, name, value))
        if "url(" in (attrs.get("style") or ""):
            found.append((tag, "style", attrs["style"]))
    return found
