"""Pictures as SVG, the same bytes every time.

Read ``layout``, then ``circuit``.
"""

from typing import TYPE_CHECKING

from oretally.flowsheet.late_names import late_names

if TYPE_CHECKING:
    from oretally.io.pictures.adjustments import adjustment_svg
    from oretally.io.pictures.circuit import (
        balance_labels,
        circuit_sheets,
        circuit_svg,
        flow_sheets,
        flow_svg,
        live_svg,
        measured_labels,
    )
    from oretally.io.pictures.grade_recovery import grade_recovery_svg
    from oretally.io.pictures.leach_course import leach_course_svg
    from oretally.io.pictures.lettering import text_width
    from oretally.io.pictures.plot import (
        GRID,
        INK,
        PALE,
        Axis,
        cross,
        dot,
        framed,
        line,
        path,
        plot_svg,
        text,
    )
    from oretally.io.pictures.size_curves import partition_svg, passing_svg
    from oretally.io.pictures.timed_curves import timed_svg
else:
    __getattr__ = late_names(__name__, {
        "adjustments": "adjustment_svg",
        "circuit": "balance_labels circuit_sheets circuit_svg flow_sheets flow_svg live_svg "
                   "measured_labels",
        "grade_recovery": "grade_recovery_svg",
        "leach_course": "leach_course_svg",
        "lettering": "text_width",
        "plot": "GRID INK PALE Axis cross dot framed line path plot_svg text",
        "size_curves": "partition_svg passing_svg",
        "timed_curves": "timed_svg",
    })  # fmt: skip

__all__ = [
    "GRID",
    "INK",
    "PALE",
    "Axis",
    "adjustment_svg",
    "balance_labels",
    "circuit_sheets",
    "circuit_svg",
    "cross",
    "dot",
    "flow_sheets",
    "flow_svg",
    "framed",
    "grade_recovery_svg",
    "leach_course_svg",
    "line",
    "live_svg",
    "measured_labels",
    "partition_svg",
    "passing_svg",
    "path",
    "plot_svg",
    "text",
    "text_width",
    "timed_svg",
]
