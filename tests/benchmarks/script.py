"""A short script as an alternative: it reads the port, compensates 2 %/K, compares with 50, publishes JSON.

``python tests/benchmarks/script.py PORT HOST MQTT_PORT``. Every case compares the bridge with this script, so
its thirty lines are written well: the script reads all pending bytes at once, checks every frame's CRC,
closes the valve before it publishes, and sends messages in the library's own thread.
"""

import json
import sys
import time
import zlib

import paho.mqtt.client as mqtt
import serial
from paho.mqtt.enums import CallbackAPIVersion

LIMIT_PPM, PPM_PER_US_CM, CELL_PER_CM, FULL = 50.0, 0.5, 0.1, 0.9

port = serial.Serial(sys.argv[1], 115200)
hub = mqtt.Client(CallbackAPIVersion.VERSION2)
hub.connect_async(sys.argv[2], int(sys.argv[3]))
hub.loop_start()
number, leased_at, rest = 0, 0.0, b""


def send(command: str) -> None:
    global number
    body = b"<1 %d %b" % (number, command.encode())
    port.write(b"%b*%08X\n" % (body, zlib.crc32(body)))
    number = (number + 1) % 65536


while True:
    *lines, rest = (rest + port.read(port.in_waiting or 1)).split(b"\n")
    for line in lines:
        body, _, check = line.partition(b"*")
        kind, *pairs = body.decode("ascii", "replace").split(" ")[2:] or ("",)
        if check != b"%08X" % zlib.crc32(body) or kind != "reading":
            continue
        fields = dict(pair.split("=") for pair in pairs)
        celsius = float(fields["pt"])
        ppm = PPM_PER_US_CM * CELL_PER_CM * float(fields["p"]) / (1.0 + 0.02 * (celsius - 25.0))
        fit, level, now = ppm < LIMIT_PPM, float(fields["lv"]), time.monotonic()
        if not fit or level > FULL:
            send("close")
        elif now - leased_at > 1.5 or fields["path"] == "shut":
            send("lease ms=5000")
            leased_at = now
        shown = {"ppm": round(ppm, 2), "celsius": celsius, "level": level, "fit": fit, "path": fields["path"]}
        hub.publish("garden/barrel", json.dumps(shown), qos=1)
