"""What labels are printed on: die-cut sheets and single thermal labels, by their dimensions in millimetres.

Dimensions are those that the trade sells under many names (common practice, no source). Sheets are
symmetrical: what the labels and gaps do not use is shared evenly between opposite margins.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Stock:
    """Labels on a page; positions count from 1 along the rows. A roll has one label a page.

    `margin_mm` is kept free inside each label, as the cut and the print never meet exactly.
    """

    name: str
    page_width_mm: float
    page_height_mm: float
    label_width_mm: float
    label_height_mm: float
    columns: int = 1
    rows: int = 1
    column_gap_mm: float = 0.0
    row_gap_mm: float = 0.0
    margin_mm: float = 2.0

    @property
    def per_page(self) -> int:
        return self.columns * self.rows

    @property
    def is_thermal(self) -> bool:
        return self.per_page == 1

    @property
    def least_module_mm(self) -> float:
        """A label on a sheet meets the printer's dots at any phase, so its modules need more of them."""
        return 0.25 if self.is_thermal else 0.33

    @property
    def left_mm(self) -> float:
        used = self.columns * self.label_width_mm + (self.columns - 1) * self.column_gap_mm
        return (self.page_width_mm - used) / 2

    @property
    def top_mm(self) -> float:
        used = self.rows * self.label_height_mm + (self.rows - 1) * self.row_gap_mm
        return (self.page_height_mm - used) / 2

    def corner(self, position: int) -> tuple[float, float]:
        """The lower left corner of the label at `position`, in mm from the page's lower left corner."""
        if not 1 <= position <= self.per_page:
            raise ValueError(f"There is no label {position} on {self.name}.")
        row, column = divmod(position - 1, self.columns)
        return (
            self.left_mm + column * (self.label_width_mm + self.column_gap_mm),
            self.page_height_mm - self.top_mm - row * (self.label_height_mm + self.row_gap_mm) - self.label_height_mm,
        )


def _roll(width_mm: float, height_mm: float) -> Stock:
    name = f"{width_mm:g} × {height_mm:g} mm, single thermal label"
    return Stock(name, width_mm, height_mm, width_mm, height_mm, margin_mm=1.5)


STOCKS: dict[str, Stock] = {
    "38.1x21.2-a4": Stock(
        "38.1 × 21.2 mm, 65 to an A4 sheet", 210, 297, 38.1, 21.2, 5, 13, column_gap_mm=2.5, margin_mm=1.6
    ),
    "63.5x38.1-a4": Stock(
        "63.5 × 38.1 mm, 21 to an A4 sheet", 210, 297, 63.5, 38.1, 3, 7, column_gap_mm=2.5, margin_mm=2.5
    ),
    "66.7x25.4-letter": Stock(
        "66.7 × 25.4 mm, 30 to a US Letter sheet", 215.9, 279.4, 66.675, 25.4, 3, 10, column_gap_mm=3.175
    ),
    "40x20": _roll(40, 20),
    "57x32": _roll(57, 32),
}
