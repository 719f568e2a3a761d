"""What one drive cycle looks like on each wire."""

import sys

import schemdraw
from schemdraw import logic

schemdraw.use("svg")
with schemdraw.Drawing(file=sys.argv[1], show=False) as d:
    d.config(fontsize=11, margin=0.6)
    logic.TimingDiagram(
        {
            "signal": [
                {"name": "range pin", "wave": "0.1...0...1...0....."},
                {"name": "return electrode", "wave": "0.....1...0...1...0."},
                {
                    "name": "converter",
                    "wave": "z...33z.33z.33z.33z.",
                    "data": ["m", "r", "m", "r", "m", "r", "m", "r"],
                },
                {
                    "name": "cell current",
                    "wave": "z.4...5...4...5...z.",
                    "data": ["forward", "reverse", "forward", "reverse"],
                },
            ]
        },
        yheight=0.5,
        ygap=0.45,
    )
