"""Reports: tables, the machine-readable documents, the pages and the words in the terminal."""

from .document import measurement_document, result_document
from .folder import (
    COMPARISON_FILES,
    NIGHT_FILES,
    PLAN_FILES,
    RESULT_FILES,
    check_file_writable,
    check_writable,
)
from .page import report_html
from .result import RunResult
from .stored import load_measured_set
from .tables import curves_table, frames_table, offsets_table, write_star_table
from .terminal import print_found, print_measurements
from .writer import (
    comparison_document,
    night_document,
    plan_document,
    write_comparison,
    write_night_result,
    write_plan,
    write_results,
)
