"""The flow pulse sensor."""

import sys

import schemdraw
import schemdraw.elements as elm

schemdraw.use("svg")
with schemdraw.Drawing(file=sys.argv[1], show=False) as d:
    d.config(fontsize=11, unit=2.2, margin=0.9)
    sensor = elm.Ic(
        pins=[
            elm.IcPin(name="+", side="right", slot="3/3"),
            elm.IcPin(name="pulse", side="right", slot="2/3", anchorname="pulse"),
            elm.IcPin(name="−", side="right", slot="1/3", anchorname="minus"),
        ],
        size=(2.0, 3.0),
    ).label("flow sensor,\nopen collector", "bottom")
    elm.Line().at(sensor["+"]).right(1.0)
    elm.Vdd().label("5 V")
    elm.Line().at(sensor.pulse).right(2.4)
    pull = elm.Dot()
    elm.Resistor().at(pull.center).up(1.9).label("4.7 kΩ", "bottom")
    elm.Vdd().label("5 V")
    elm.Resistor().at(pull.center).right(2.0).label("1 kΩ", "top")
    tap = elm.Dot()
    elm.Line().right(0.6)
    elm.Dot(open=True).label("PD2", "right")
    elm.Capacitor().at(tap.center).down(1.8).label("10 nF", "bottom")
    elm.Ground()
    elm.Line().at(sensor.minus).right(1.0)
    elm.Ground()
