"""How each machine of the plant numbers the positions of a panel. No two of them agree.

| machine        | starts at              | runs                            | from | bottom side                    |
|----------------|------------------------|---------------------------------|------|--------------------------------|
| LOAD, REVIEW   | lower left             | row by row                      | 1    | as on the top side             |
| SPI            | lower left of the view | row by row                      | 1    | mirrored: columns run backwards|
| JET            | lower left of the view | column by column                | 1    | mirrored                       |
| PLACE1, PLACE2 | lower right of the view| row by row, leftwards           | 1    | mirrored                       |
| AOI            | upper left of the view | snake, first row rightwards     | 0    | mirrored                       |

"View" is what the machine's camera sees, the panel entering as drawn. The numbers belong to the frame: on
a panel turned by 180 degrees a machine gives the number of the place where the board lies, not of the
board. Plant numbering is that of LOAD, seen from the top side.
"""

from functools import cache

from broker_bridge.simulate.products import BOTTOM, BY_NUMBER


def _lower_left_rows(column: int, row: int, columns: int, rows: int) -> int:
    return row * columns + column + 1


def _lower_left_columns(column: int, row: int, columns: int, rows: int) -> int:
    return column * rows + row + 1


def _lower_right_rows(column: int, row: int, columns: int, rows: int) -> int:
    return row * columns + (columns - 1 - column) + 1


def _upper_left_snake(column: int, row: int, columns: int, rows: int) -> int:
    from_top = rows - 1 - row
    along = column if from_top % 2 == 0 else columns - 1 - column
    return from_top * columns + along


_ORDERS = {
    "SPI": (_lower_left_rows, True),
    "JET": (_lower_left_columns, True),
    "PLACE1": (_lower_right_rows, True),
    "PLACE2": (_lower_right_rows, True),
    "AOI": (_upper_left_snake, True),
}


@cache
def numbering(station: str, part: str, side: str, turned: bool = False) -> tuple[int, ...]:
    """The number `station` gives to each plant position, in order of plant position from 1.

    `turned`: the panel lies turned by 180 degrees. Raises KeyError for an unknown part number.
    """
    product = BY_NUMBER[part]
    columns, rows = product.columns, product.rows
    order, mirrors = _ORDERS.get(station, (_lower_left_rows, False))
    numbers = []
    for position in range(columns * rows):
        row, column = divmod(position, columns)
        if turned:
            row, column = rows - 1 - row, columns - 1 - column
        if mirrors and side == BOTTOM:
            column = columns - 1 - column
        numbers.append(order(column, row, columns, rows))
    return tuple(numbers)
