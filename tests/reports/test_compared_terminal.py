import io

import pytest
from rich.console import Console

from starsize.reports import print_found


@pytest.mark.parametrize("width", [40, 60, 80, 120])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii", "cp437"])
def test_it_fits_the_screen_and_its_code_page(two_sets, width, encoding):
    file = io.TextIOWrapper(io.BytesIO(), encoding=encoding, newline="\n")
    console = Console(file=file, width=width, highlight=False)
    print_found(two_sets, console=console)
    file.flush()
    text = file.buffer.getvalue().decode(encoding)
    assert all(len(line) <= width for line in text.splitlines())
    flat = " ".join(text.replace("|", " ").split())
    assert "old-glass (old) against new-glass (new) 2 of 3 filters changed focus." in flat
    sign = "+-" if encoding == "ascii" else "±" if encoding == "utf-8" else None
    if sign:
        # A narrow screen spares old move and change, never the verdict.
        row = "R +3 * changed" if width == 40 else f"R +12 +3 * -9.2 {sign} 1.9 changed"
        assert row in flat
    assert "* change this number in your equipment" in flat
    assert "SII was not measured in old-glass." in flat
