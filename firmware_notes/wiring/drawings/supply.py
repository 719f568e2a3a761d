"""From the wall to the board: isolation, fuse, clamp, reverse protection, 5 V."""

import sys

import schemdraw
import schemdraw.elements as elm

schemdraw.use("svg")
with schemdraw.Drawing(file=sys.argv[1], show=False) as d:
    d.config(fontsize=11, unit=2.2, margin=0.9)
    brick = elm.Ic(
        pins=[
            elm.IcPin(name="+12 V", side="right", slot="2/2", anchorname="plus"),
            elm.IcPin(name="0 V", side="right", slot="1/2", anchorname="zero"),
        ],
        size=(2.9, 3.0),
    ).label("safety\nextra-low\nvoltage", "center", ofst=(-0.5, 0), fontsize=10)
    elm.Fuse().at(brick.plus).right(2.0).label("1 A slow", "top")
    elm.Schottky().right(1.6).label("2 A", "top")
    plus = elm.Dot()
    elm.Line().right(1.8)
    split = elm.Dot()
    elm.Line().right(1.2)
    elm.Dot(open=True).label("overflow float\nand valves", "right")
    elm.Line().at(brick.zero).to((plus.center.x, brick.zero.y))
    zero = elm.Dot()
    elm.Zener().at(zero.center).toy(plus.center).up().label("clamp\n15 V", "bottom")
    elm.Line().at(zero.center).right(1.8)
    elm.Dot()
    elm.Ground()
    elm.Capacitor2(polar=True).at(split.center).toy(zero.center).down().label("470 µF", "bottom")
    elm.Line().at(split.center).up(1.6)
    reg = (
        elm.Ic(
            pins=[
                elm.IcPin(name="12 V", side="left", slot="1/1", anchorname="vin"),
                elm.IcPin(name="5 V", side="right", slot="1/1", anchorname="vout"),
            ],
            size=(2.6, 1.2),
        )
        .anchor("vin")
        .right()
    )
    elm.Line().at(reg.vout).right(0.5)
    elm.Dot(open=True).label("board", "right")
