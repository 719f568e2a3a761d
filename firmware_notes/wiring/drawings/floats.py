"""Low float, full float, and the level sensor."""

import sys

import schemdraw
import schemdraw.elements as elm

schemdraw.use("svg")


def switch(x, title, pin, says):
    elm.Vdd().at((x, 0)).label("5 V")
    elm.Resistor().at((x, 0)).down(2.0).label("4.7 kΩ", "top")
    top = elm.Dot()
    elm.Resistor().at(top.center).right(1.8).label("1 kΩ", "top")
    tap = elm.Dot()
    elm.Line().right(0.5)
    elm.Dot(open=True).label(pin, "right")
    elm.Capacitor().at(tap.center).down(2.2).label("100 nF", "bottom")
    elm.Ground()
    elm.SwitchReed().at(top.center).down(2.2).label(title, "top", ofst=0.35)
    elm.Ground()
    elm.Label().at((x + 0.8, -5.6)).label(says, fontsize=10)


with schemdraw.Drawing(file=sys.argv[1], show=False) as d:
    d.config(fontsize=11, unit=2.2, margin=0.9)
    switch(0, "low float", "PD5", "contact closed: water is there\nbroken wire: no water")
    switch(5.6, "full float", "PD4", "contact closed: not full\nbroken wire: full")
    x = 11.2
    elm.Vdd().at((x, 0)).label("5 V (AVcc)")
    elm.Resistor().at((x, 0)).down(2.0).label("220 Ω\n½ W", "top")
    top = elm.Dot()
    elm.Line().at(top.center).right(1.2)
    tap = elm.Dot()
    elm.Line().right(0.6)
    elm.Dot(open=True).label("ADC6", "right")
    elm.Capacitor().at(tap.center).down(2.2).label("100 nF", "bottom")
    elm.Ground()
    elm.ResistorVar().at(top.center).down(2.2).label("level\nsensor", "top", ofst=0.3)
    elm.Ground()
    elm.Label().at((x + 0.6, -5.6)).label(
        "10 Ω empty to 180 Ω full\nbroken or shorted: no value", fontsize=10
    )
