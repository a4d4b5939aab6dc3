"""Tables and lists as plain HTML, every text escaped: what an object shows of itself in a notebook."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup


def table(head: Sequence[str], rows: Sequence[Sequence[str]], *, right: Sequence[int] = ()) -> Markup:
    """Return a table of texts; the columns with the numbers `right` are set to the right."""
    side = [Markup('style="text-align:{}"').format("right" if i in right else "left") for i in range(len(head))]
    lines = [
        Markup("<tr>{}</tr>").format(
            Markup("").join(Markup("<{0} {1}>{2}</{0}>").format(tag, side[i], cell) for i, cell in enumerate(row))
        )
        for tag, row in (("th", head), *(("td", row) for row in rows))
    ]
    return Markup("<table><thead>{}</thead><tbody>{}</tbody></table>").format(lines[0], Markup("").join(lines[1:]))


def items(texts: Sequence[str]) -> Markup:
    """Return a list of texts, nothing where there is none; empty texts are left out."""
    points = Markup("").join(Markup("<li>{}</li>").format(text) for text in texts if text)
    return Markup('<ul style="margin:2px 0">{}</ul>').format(points) if points else Markup("")
