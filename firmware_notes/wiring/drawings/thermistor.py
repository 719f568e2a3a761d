"""The thermistor as the lower half of a divider."""

import sys

import schemdraw
import schemdraw.elements as elm

schemdraw.use("svg")
with schemdraw.Drawing(file=sys.argv[1], show=False) as d:
    d.config(fontsize=11, unit=2.2, margin=1.8)
    elm.Vdd().label("5 V (AVcc)")
    elm.Resistor().down().label("10 kΩ\n0.1 %", "top", ofst=0.2)
    node = elm.Dot()
    elm.Thermistor().down().label("NTC,\n10 kΩ\nat 25 °C", "top", ofst=0.45)
    elm.Ground().label("0 V", "bottom")
    elm.Line().at(node.center).right(1.2)
    tap = elm.Dot()
    elm.Line().right(1.0)
    elm.Dot(open=True).label("ADC4 (product)\nADC5 (feed)", "right")
    elm.Capacitor().at(tap.center).down(2.2).label("100 nF", "bottom", ofst=0.2)
    elm.Ground()
