"""Valves with the overflow float in series, flyback diodes, MOSFETs, and the sense of the float."""

import sys

import schemdraw
import schemdraw.elements as elm

schemdraw.use("svg")


def valve(x, name, pin):
    elm.Dot().at((x, 0))
    coil = elm.Inductor2().at((x, 0)).down(2.2).label(name, "top", ofst=0.2)
    elm.Line().at((x, 0)).right(1.1)
    elm.Diode().at((x + 1.1, -2.2)).up(2.2).label("1 A", "bottom")
    elm.Line().at((x + 1.1, -2.2)).to((x, -2.2))
    elm.Dot().at(coil.end)
    fet = elm.NMos().at((x, -2.9)).anchor("drain").theta(0)
    elm.Line().at(coil.end).to(fet.drain)
    elm.Line().at(fet.source).down(0.9)
    elm.Ground()
    elm.Line().at(fet.gate).left(0.4)
    gate = elm.Dot()
    elm.Resistor().at(gate.center).left(1.4).label("220 Ω", "top")
    elm.Dot(open=True).label(pin, "left")
    elm.Resistor().at(gate.center).down(1.7).label("10 kΩ", "top")
    elm.Ground()


with schemdraw.Drawing(file=sys.argv[1], show=False) as d:
    d.config(fontsize=11, unit=2.2, margin=0.9)
    elm.Dot(open=True).at((-7.4, 0)).label("+12 V", "left")
    elm.Fuse().at((-7.4, 0)).right(1.8).label("1 A slow", "top")
    supply = elm.Dot()
    elm.SwitchReed().right(2.4).label("overflow float\nclosed while down", "top", ofst=0.2)
    after = elm.Dot()
    elm.Line().at(after.center).to((4.9, 0))
    valve(0.6, "fill\nvalve", "PD6")
    valve(4.9, "drain\nvalve", "PD7")
    for x, upper, lower, pin in (
        (supply.center.x, "22 kΩ", "10 kΩ", "ADC7"),
        (after.center.x, "22 kΩ", "15 kΩ", "PD3"),
    ):
        elm.Resistor().at((x, 0)).down(1.9).label(upper, "top")
        mid = elm.Dot()
        elm.Resistor().at(mid.center).down(1.9).label(lower, "top")
        elm.Ground()
        elm.Line().at(mid.center).right(0.35)
        elm.Dot(open=True).label(pin, "right")
