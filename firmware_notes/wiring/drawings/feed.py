"""The second cell, in the feed: the same circuit with two range resistors and its own pins."""

import sys

import schemdraw
import schemdraw.elements as elm

schemdraw.use("svg")
with schemdraw.Drawing(file=sys.argv[1], show=False) as d:
    d.config(fontsize=11, unit=2.2, margin=0.9)
    for row, (pin, ohm) in enumerate((("PB3", "33 kΩ"), ("PB4", "1 kΩ"))):
        elm.Dot(open=True).at((0, -1.3 * row)).label(pin, "left")
        elm.Resistor().at((0, -1.3 * row)).right().label(ohm, "top")
    elm.Line().at((2.2, 0)).to((2.2, -1.3))
    elm.Dot().at((2.2, -1.3))
    elm.Line().at((2.2, -1.3)).to((5.2, -1.3))
    elm.Dot().at((4.4, -1.3))
    elm.Line().at((5.2, -1.3)).to((5.2, -1.6))
    elm.ResistorIEC().at((5.2, -1.6)).down(1.6).label("feed cell", "bottom", ofst=0.25)
    elm.Line().at((5.2, -3.2)).to((5.2, -3.6))
    elm.Line().at((5.2, -3.6)).to((0, -3.6)).label(
        "return electrode, driven and measured", "bottom", fontsize=10
    )
    elm.Dot(open=True).at((0, -3.6)).label("PC3 (ADC3)", "left")
    elm.Line().at((4.4, -1.3)).to((4.4, 0.9))
    elm.Resistor().at((4.4, 0.9)).right(2.2).label("10 kΩ", "top")
    op = elm.Opamp().anchor("in2").at((6.9, 0.9)).flip()
    elm.Line().at((6.6, 0.9)).to(op.in2)
    elm.Line().at(op.in1).left(0.3)
    elm.Line().down(1.0)
    elm.Line().tox(op.out)
    elm.Line().toy(op.out)
    elm.Dot()
    elm.Line().at(op.out).right(0.8)
    elm.Dot(open=True).label("ADC2", "right")
