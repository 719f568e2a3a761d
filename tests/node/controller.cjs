// A controller for the Homie convention, version 5, made of nothing but the library `node-homie`: it knows the
// address of the broker and what it finds there. Orders come as JSON lines, and each is answered with one line.
//
//   {"do": "find", "devices": 3, "values": ["id/node/property", ...]}   all there is, once that many devices are
//                                                             ready and those values, and no others, are known
//   {"do": "set", "property": "id/node/property", "value": "..."}       what the property says next
//   {"do": "until", "property": ..., "value": "..."}                    waits until it says so
//   {"do": "refused", "property": ..., "value": ...}                    what the device says to that on its log
//   {"do": "alert", "device": "id", "alert": "..."}                     waits for an alert, and says its sentence
//   {"do": "no-alert", "device": "id", "alert": "..."}                  waits until it is gone
//   {"do": "states", "state": "..."}                                    waits until every device is in this state
"use strict";

const { DeviceDiscovery, HomieDeviceManager } = require("node-homie");
const { SimpleLogger, LogLevels } = require("node-homie/misc");
const { validateHomieValue } = require("node-homie/util");
const { filter, firstValueFrom, interval, startWith, take, timeout } = require("rxjs");

const PATIENCE_MS = 15000;
const complaints = [];
SimpleLogger.loglevel = LogLevels.warn;
SimpleLogger.logOutput = (domain, type, name, logLevel, level, text, more) => {
  if (level <= logLevel) complaints.push(`${type} ${name}: ${text} ${more ?? ""}`);
};

const devices = new HomieDeviceManager();
const discovery = new DeviceDiscovery({ url: process.argv[2] });
discovery.events$.subscribe((event) => {
  if (event.type === "add" && !devices.hasDevice(event.deviceId)) {
    devices.add(event.makeDevice()).onInit();
  } else if (event.type === "error") {
    complaints.push(`discovery: ${event.error}`);
  }
});

function first(observable, wanted) {
  return firstValueFrom(observable.pipe(filter(wanted), take(1), timeout(PATIENCE_MS)));
}

function property(pointer) {
  const found = devices.getProperty(pointer);
  if (!found) throw new Error(`${pointer} was not found`);
  return found;
}

function everyProperty() {
  return Object.values(devices.devices)
    .flatMap((device) => Object.values(device.nodes))
    .flatMap((node) => Object.values(node.properties));
}

function sheet() {
  return Object.values(devices.devices).map((device) => ({
    id: device.id,
    name: device.attributes.name,
    type: device.attributes.type,
    homie: device.homie,
    root: device.attributes.root ?? null,
    children: device.attributes.children ?? [],
    state: device.state,
    alerts: Object.fromEntries(device.alerts),
    nodes: Object.values(device.nodes).map((node) => ({
      id: node.id,
      name: node.attributes.name,
      properties: Object.values(node.properties).map((one) => ({
        id: one.id,
        name: one.attributes.name,
        datatype: one.attributes.datatype,
        format: one.attributes.format ?? null,
        unit: one.attributes.unit ?? null,
        settable: one.attributes.settable,
        retained: one.attributes.retained,
        value: one.value ?? null,
        typed: one.valueAsType ?? null,
        valid: validateHomieValue(one.value, one.attributes.datatype, one.attributes.format),
      })),
    })),
  }));
}

// The library tells of single changes; "everything is there" is a state that is looked for at each of them.
function known() {
  return everyProperty().filter((one) => one.value).map((one) => one.pointer).sort();
}

const orders = {
  async find({ devices: count, values }) {
    const wanted = [...values].sort().join();
    const there = () => {
      const all = Object.values(devices.devices);
      return all.length === count && all.every((one) => one.state === "ready") && known().join() === wanted;
    };
    await first(interval(20).pipe(startWith(0)), there).catch(() => {
      const states = Object.values(devices.devices).map((one) => `${one.id} ${one.state}`);
      const missing = values.filter((one) => !known().includes(one));
      const more = known().filter((one) => !values.includes(one));
      throw new Error(`found ${states}; without a value: ${missing}; not expected: ${more}; ${complaints}`);
    });
    return sheet();
  },
  async set({ property: pointer, value }) {
    const one = property(pointer);
    const now = one.value;
    const next = first(one.value$, (said) => said !== now);
    await firstValueFrom(one.setCommand$(value));
    return next;
  },
  async until({ property: pointer, value }) {
    return first(property(pointer).value$, (said) => said === value);
  },
  async refused({ property: pointer, value }) {
    const one = property(pointer);
    const said = first(one.device.logEvent$, (event) => event.level === "warn");
    await firstValueFrom(one.setCommand$(value));
    return (await said).message;
  },
  async alert({ device, alert }) {
    const alerts = await first(devices.getDevice(device).alerts$, (all) => all.has(alert));
    return alerts.get(alert);
  },
  async "no-alert"({ device, alert }) {
    await first(devices.getDevice(device).alerts$, (all) => !all.has(alert));
    return null;
  },
  async states({ state }) {
    const all = Object.values(devices.devices);
    await Promise.all(all.map((device) => first(device.state$, (now) => now === state)));
    return Object.fromEntries(all.map((device) => [device.id, device.state]));
  },
};

async function obey(line) {
  const order = JSON.parse(line);
  const answer = { order: order.do };
  try {
    answer.said = await orders[order.do](order);
  } catch (error) {
    answer.failed = String(error);
  }
  answer.complaints = complaints;
  process.stdout.write(`${JSON.stringify(answer)}\n`);
}

const lines = require("node:readline").createInterface({ input: process.stdin });
let turn = discovery.onInit();
lines.on("line", (line) => {
  turn = turn.then(() => obey(line));
});
lines.on("close", async () => {
  await turn;
  await discovery.onDestroy();
  await devices.onDestroy();
  process.exit(0);
});
