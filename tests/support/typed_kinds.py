"""A test of each kind of work as somebody might type it: invented, consistent to its errors."""

from __future__ import annotations

__all__ = ["TYPED"]

TYPED: dict[str, dict[str, dict[str, float | str]]] = {
    "bucket": {
        "feed": {"dry mass": 10000, "Sn": 1.0},
        "concentrate": {"dry mass": 210, "Sn": 38},
        "tailings": {"dry mass": 9780, "Sn": 0.2},
    },
    "table": {
        "feed": {"dry mass": 10000, "Sn": 1.0},
        "concentrate": {"dry mass": 210, "Sn": 38},
        "middlings": {"dry mass": 400, "Sn": 2.1},
        "tailings": {"Sn": 0.13},
    },
    "flotation test": {
        "feed": {"dry mass": 1000, "Cu": 1.0},
        "concentrate 1": {"dry mass": 20, "Cu": 25},
        "concentrate 2": {"dry mass": 12, "Cu": 15},
        "concentrate 3": {"dry mass": 10, "Cu": 8},
        "tailings": {"dry mass": 957, "Cu": 0.25},
    },
    "timed flotation": {
        "feed": {"dry mass": 1000},
        "concentrate 1": {"dry mass": 25, "Cu": 12.1},
        "concentrate 2": {"dry mass": 18, "Cu": 10.9},
        "concentrate 3": {"dry mass": 22, "Cu": 9.1},
        "concentrate 4": {"dry mass": 24, "Cu": 5.2},
        "concentrate 5": {"dry mass": 20, "Cu": 1.45},
        "tailings": {"dry mass": 891, "Cu": 0.095},
    },
    "flotation survey": {
        "feed": {"dry rate": 100, "Cu": 1.0},
        "rougher concentrate": {"Cu": 12},
        "rougher tailings": {"Cu": 0.25},
        "concentrate": {"Cu": 25},
        "tailings": {"Cu": 0.12},
    },
    "rougher survey": {
        "feed": {"dry rate": 100, "Cu": 1.0},
        "concentrate": {"Cu": 18},
        "rougher tailings": {"Cu": 0.25},
        "tailings": {"Cu": 0.15},
    },
    "grinding survey": {
        "feed": {"dry rate": 85, "Cu": 1.0},
        "cyclone overflow": {"Cu": 1.02},
    },
    "bottle roll": {
        "feed": {"dry mass": 1000, "Au": 5},
        "leach solution": {"water": 1500, "Au in solution": "<0.01"},
        "wash water": {"water": 500, "Au in solution": "<0.01"},
        "residue": {"wet mass": 1250, "moisture": 20, "Au": 0.5},
        "pregnant solution": {"water": 1752, "Au in solution": 2.45},
    },
    "timed bottle roll": {
        "feed": {"dry mass": 1000, "Au": 4},
        "leach solution": {"water": 1500, "Au in solution": "<0.01"},
        "residue": {"wet mass": 1228, "moisture": 18.5, "Au": 0.4},
        "final solution": {"water": 1123},
        "0": {"NaCN added": 1.5, "lime added": 1.2, "pH": 11},
        "2": {"solution sampled": 50, "Au in solution": 0.53, "solution added": 50, "pH": 10.9},
        "6": {"solution sampled": 50, "Au in solution": 1.22, "NaCN left": 0.6},
        "24": {"solution sampled": 50, "Au in solution": 2.27, "NaCN added": 0.2},
        "48": {"solution sampled": 50, "Au in solution": 2.4, "NaCN left": 0.55},
    },
    "vat leach": {
        "feed": {"wet mass": 52, "moisture": 4, "Au": 5},
        "leach solution": {"water": 30, "Au in solution": 0.02},
        "wash water": {"water": 10},
        "tails": {"wet mass": 60, "moisture": 17, "Au": 0.6, "Au in solution": 0.6},
        "pregnant solution": {"water": 32, "Au in solution": 6.7},
    },
    "month": {
        "mine ore": {"wet mass": 12840, "moisture": 3, "Pb": 4.05, "Ag": 71},
        "feed": {"wet mass": 12300, "moisture": 3, "Pb": 4.18, "Ag": 73.5},
        "concentrate": {"dry mass": 641, "Pb": 68.9, "Ag": 1135},
        "tailings": {"Pb": 0.42, "Ag": 13.4},
        "opening": {"dry mass": 5200, "Pb": 3.9, "Ag": 69},
        "closing": {"dry mass": 5350, "Pb": 3.7, "Ag": 66},
    },
}
"""Numbers by kind, first cell of their row, and quantity."""
