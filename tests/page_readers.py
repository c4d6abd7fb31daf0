"""Read printed pages back: the lines of a PDF or an SVG in millimetres from the lower left corner.

Written from the formats' standards, sharing nothing with what writes the pages: ISO 32000-1:2008
(user space, 8.3.2.3: 1/72 inch; path operators, table 59; filters, 7.4) and SVG 1.1 (units 7.10,
transforms 7.6).
"""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree import ElementTree

__all__ = ["Drawn", "Line", "read_pdf", "read_svg"]

_MM = 25.4 / 72.0
_SVG = "{http://www.w3.org/2000/svg}"
Matrix = tuple[float, float, float, float, float, float]


@dataclass(frozen=True, slots=True)
class Line:
    """A straight stroke."""

    x0: float
    y0: float
    x1: float
    y1: float
    width: float
    facts: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Drawn:
    """A page: its size, its straight strokes, and where lines of text begin."""

    width: float
    height: float
    lines: list[Line]
    texts: list[tuple[float, float]]


def _times(inner: Matrix, outer: Matrix) -> Matrix:
    a, b, c, d, e, f = inner
    p, q, r, s, t, u = outer
    return (
        a * p + b * r,
        a * q + b * s,
        c * p + d * r,
        c * q + d * s,
        e * p + f * r + t,
        e * q + f * s + u,
    )


def _at(matrix: Matrix, x: float, y: float) -> tuple[float, float]:
    a, b, c, d, e, f = matrix
    return a * x + c * y + e, b * x + d * y + f


def read_pdf(path: Path) -> list[Drawn]:
    """Read every page of a PDF whose streams are deflated (or plain)."""
    raw = path.read_bytes()
    objects = {
        int(found[1]): found[2]
        for found in re.finditer(rb"(?:^|\n)(\d+) 0 obj\n(.*?)\nendobj", raw, re.DOTALL)
    }
    pages = []
    for body in objects.values():
        if not re.search(rb"/Type /Page\b(?!s)", body):
            continue
        box = re.search(rb"/MediaBox \[ ?([-\d. ]+?) ?\]", body)
        content = re.search(rb"/Contents (\d+) 0 R", body)
        assert box is not None
        assert content is not None
        left, bottom, right, top = map(float, box[1].split())
        assert (left, bottom) == (0.0, 0.0)
        assert b"/UserUnit" not in body
        lines, texts = _run(_unpacked(objects[int(content[1])]))
        pages.append(Drawn(right * _MM, top * _MM, lines, texts))
    return pages


def _unpacked(body: bytes) -> str:
    head, _, rest = body.partition(b"stream\n")
    data = rest.rpartition(b"\nendstream")[0]
    if b"/FlateDecode" in head:
        data = zlib.decompress(data)
    return data.decode("latin-1")


def _run(program: str) -> tuple[list[Line], list[tuple[float, float]]]:
    """Follow a content stream: the graphics state's matrix, paths, and text's beginnings."""
    matrix: Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
    stack: list[State] = []
    width = 1.0
    numbers: list[float] = []
    path: list[tuple[str, float, float]] = []
    lines: list[Line] = []
    texts: list[tuple[float, float]] = []
    # strings and arrays of glyphs hold no operators
    program = re.sub(r"\((?:\\.|[^\\()])*\)", " ", program, flags=re.DOTALL)
    program = re.sub(r"\[[^\]]*\]", " ", program)
    for word in program.split():
        if re.fullmatch(r"[-+]?(\d+\.?\d*|\.\d+)", word):
            numbers.append(float(word))
            continue
        if word in _STATE:
            matrix, width = _change(word, numbers, stack, (matrix, width))
        elif word in ("m", "l"):
            path.append((word, *_at(matrix, *numbers[-2:])))
        elif word in ("c", "v", "y", "h", "re"):
            path.append(("curve", 0.0, 0.0))
        elif word == "BT":
            x, y = _at(matrix, 0.0, 0.0)
            texts.append((x * _MM, y * _MM))
        elif word in _PAINT:
            if word == "S" and [kind for kind, _, _ in path] == ["m", "l"]:
                (_, x0, y0), (_, x1, y1) = path
                lines.append(Line(x0 * _MM, y0 * _MM, x1 * _MM, y1 * _MM, width * _MM))
            path = []
        numbers = []
    assert not stack
    return lines, texts


_STATE = ("q", "Q", "cm", "w")
_PAINT = ("S", "s", "f", "F", "f*", "B", "B*", "b", "b*", "n")
State = tuple[Matrix, float]


def _change(word: str, numbers: list[float], stack: list[State], state: State) -> State:
    """Carry out an operator on the graphics state: matrix and line width."""
    if word == "q":
        stack.append(state)
        return state
    if word == "Q":
        return stack.pop()
    if word == "w":
        return state[0], numbers[-1]
    a, b, c, d, e, f = numbers[-6:]
    return _times((a, b, c, d, e, f), state[0]), state[1]


def read_svg(path: Path) -> Drawn:
    """Read an SVG in millimetres; transforms on any element are followed."""
    root = ElementTree.fromstring(path.read_bytes())
    sizes = [root.get("width", ""), root.get("height", "")]
    assert all(size.endswith("mm") for size in sizes)
    width, height = (float(size[:-2]) for size in sizes)
    left, top, wide, tall = map(float, root.get("viewBox", "").split())
    scale: Matrix = (width / wide, 0.0, 0.0, height / tall, -left, -top)
    lines: list[Line] = []
    _walk(root, scale, height, lines)
    return Drawn(width, height, lines, [])


def _walk(node: ElementTree.Element, outer: Matrix, height: float, lines: list[Line]) -> None:
    matrix = outer
    for name, words in reversed(re.findall(r"(\w+)\(([^)]*)\)", node.get("transform", ""))):
        values = [float(one) for one in re.split(r"[ ,]+", words.strip())]
        assert name in ("matrix", "translate")
        step = tuple(values) if name == "matrix" else (1.0, 0.0, 0.0, 1.0, *values)
        matrix = _times(step, matrix)  # type: ignore[arg-type]
    if node.tag == f"{_SVG}line":
        x0, y0 = _at(matrix, float(node.get("x1", "0")), float(node.get("y1", "0")))
        x1, y1 = _at(matrix, float(node.get("x2", "0")), float(node.get("y2", "0")))
        pen = float(node.get("stroke-width", "1"))
        lines.append(Line(x0, height - y0, x1, height - y1, pen, dict(node.attrib)))
    for child in node:
        _walk(child, matrix, height, lines)
