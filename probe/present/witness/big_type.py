"""Big type: tags and words that can be read from across the aisle, five rows high, drawn from full blocks."""

from __future__ import annotations

from probe.present.row import Piece, Row

HEIGHT = 5
_GAP = 1

# One glyph a sign, rows from top to bottom; "#" is ink.
_GLYPHS = {
    "A": (" ## ", "#  #", "####", "#  #", "#  #"), "B": ("### ", "#  #", "### ", "#  #", "### "),
    "C": (" ###", "#   ", "#   ", "#   ", " ###"), "D": ("### ", "#  #", "#  #", "#  #", "### "),
    "E": ("####", "#   ", "### ", "#   ", "####"), "F": ("####", "#   ", "### ", "#   ", "#   "),
    "G": (" ###", "#   ", "# ##", "#  #", " ###"), "H": ("#  #", "#  #", "####", "#  #", "#  #"),
    "I": ("###", " # ", " # ", " # ", "###"), "J": ("  ##", "   #", "   #", "#  #", " ## "),
    "K": ("#  #", "# # ", "##  ", "# # ", "#  #"), "L": ("#   ", "#   ", "#   ", "#   ", "####"),
    "M": ("#   #", "## ##", "# # #", "#   #", "#   #"), "N": ("#  #", "## #", "# ##", "#  #", "#  #"),
    "O": (" ## ", "#  #", "#  #", "#  #", " ## "), "P": ("### ", "#  #", "### ", "#   ", "#   "),
    "Q": (" ## ", "#  #", "#  #", "# ##", " ###"), "R": ("### ", "#  #", "### ", "# # ", "#  #"),
    "S": (" ###", "#   ", " ## ", "   #", "### "), "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "U": ("#  #", "#  #", "#  #", "#  #", " ## "), "V": ("#   #", "#   #", "#   #", " # # ", "  #  "),
    "W": ("#   #", "#   #", "# # #", "## ##", "#   #"), "X": ("#   #", " # # ", "  #  ", " # # ", "#   #"),
    "Y": ("#   #", " # # ", "  #  ", "  #  ", "  #  "), "Z": ("####", "  # ", " #  ", "#   ", "####"),
    "0": (" ## ", "#  #", "#  #", "#  #", " ## "), "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("### ", "   #", " ## ", "#   ", "####"), "3": ("### ", "   #", " ## ", "   #", "### "),
    "4": ("#  #", "#  #", "####", "   #", "   #"), "5": ("####", "#   ", "### ", "   #", "### "),
    "6": (" ## ", "#   ", "### ", "#  #", " ## "), "7": ("####", "   #", "  # ", " #  ", " #  "),
    "8": (" ## ", "#  #", " ## ", "#  #", " ## "), "9": (" ## ", "#  #", " ###", "   #", " ## "),
    "-": ("   ", "   ", "###", "   ", "   "), ".": (" ", " ", " ", " ", "#"),
    "/": ("   #", "  # ", "  # ", " #  ", " #  "), " ": ("  ", "  ", "  ", "  ", "  "),
    "!": ("#", "#", "#", " ", "#"), "?": ("### ", "   #", " ## ", "    ", " #  "),
    "+": ("   ", " # ", "###", " # ", "   "), "_": ("    ", "    ", "    ", "    ", "####"),
}  # fmt: skip


def width_of_big(text: str) -> int:
    """Columns that the text takes in big type; 0 if it has a sign that cannot be drawn."""
    glyphs = [_GLYPHS.get(sign) for sign in text.upper()]
    if not glyphs or any(glyph is None for glyph in glyphs):
        return 0
    return sum(len(glyph[0]) + _GAP for glyph in glyphs if glyph) - _GAP


def big(text: str, ink: str, style: str, width: int) -> list[Row]:
    """The text in big type as five rows; one row of bold text where it does not fit. ink: the full block."""
    if not 0 < width_of_big(text) <= width:
        return [Row([Piece(text[:width], f"bold {style}".strip())])]
    rows = []
    for line in range(HEIGHT):
        cells = (" " * _GAP).join(_GLYPHS[sign][line] for sign in text.upper())
        rows.append(Row([Piece(cells.replace("#", ink), style)]))
    return rows
