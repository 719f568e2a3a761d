// Draws the product over time, with its band, the limit and the target. Library: uPlot, in the folder uplot.
import { element, write } from "./dom.js";

const HEIGHT = 260;
let chart = null;
let drawn = null;

function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

function level(times, value) {
  return times.map(() => value);
}

function two(number) {
  return String(number).padStart(2, "0");
}

// Times with 24 hours, and dates as year, month and day, which nobody can misread.
function moments(_, splits, axis, space, increment) {
  return splits.map((seconds) => {
    const at = new Date(seconds * 1000);
    const midnight = at.getHours() === 0 && at.getMinutes() === 0;
    return increment >= 86_400 || midnight
      ? `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())}`
      : `${two(at.getHours())}:${two(at.getMinutes())}`;
  });
}

function options(width, trend) {
  const ink = colour("--soft");
  const rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
  const axis = {
    stroke: ink,
    font: `${Math.round(rem * 0.8)}px system-ui, sans-serif`,
    grid: { stroke: colour("--line"), width: 1 },
    ticks: { stroke: colour("--line") },
  };
  const line = { points: { show: false } };
  return {
    width,
    height: HEIGHT,
    legend: { show: false },
    cursor: { show: false },
    select: { show: false },
    scales: { y: { range: (_, least, most) => [0, Math.max(most, trend.limit) * 1.1] } },
    axes: [{ ...axis, values: moments, space: rem * 5.5 }, { ...axis, size: rem * 3, label: trend.unit, labelSize: rem * 1.3, labelFont: axis.font }],
    series: [
      {},
      { stroke: colour("--water"), width: 2, spanGaps: false, points: { show: true, size: 4, fill: colour("--water") } },
      { ...line, stroke: "transparent", spanGaps: false },
      { ...line, stroke: "transparent", spanGaps: false },
      { ...line, stroke: colour("--red"), width: 2 },
      { ...line, stroke: colour("--amber"), width: 2, dash: [8, 6] },
    ],
    bands: [{ series: [3, 2], fill: colour("--water-pale") }],
  };
}

function spanOf(hours) {
  return hours <= 24 ? "the last day" : hours <= 168 ? "the last week" : "the last 90 days";
}

function inWords(trend, hours) {
  if (trend.sentence || !trend.times || trend.times.length === 0) {
    return trend.sentence ?? "There are no data for this time.";
  }
  const values = trend.value.filter((one) => one !== null);
  const last = values.at(-1);
  const most = Math.max(...values);
  const over = most >= trend.limit ? "over" : "under";
  return (
    `In ${spanOf(hours)}, while water flowed: last ${last} ${trend.unit}, at most ${most} ${trend.unit} on average, ` +
    `${over} the limit of ${trend.limit} ${trend.unit} (${trend.scale}).`
  );
}

export function showTrend(trend, hours) {
  drawn = [trend, hours];
  const box = element("trend");
  write(element("trend-word"), inWords(trend, hours));
  chart?.destroy();
  chart = null;
  const nothing = !trend.times || trend.times.length === 0;
  box.hidden = nothing;
  element("trend-key").hidden = nothing;
  if (nothing) {
    return;
  }
  const data = [
    trend.times, trend.value, trend.low, trend.high, level(trend.times, trend.limit), level(trend.times, trend.target),
  ];
  chart = new uPlot(options(box.clientWidth, trend), data, box);
}

function again() {
  if (drawn !== null) {
    showTrend(...drawn);
  }
}

let width = 0;
new ResizeObserver(([entry]) => {
  const now = Math.round(entry.contentRect.width);
  if (now !== width && now > 0) {
    width = now;
    requestAnimationFrame(again);
  }
}).observe(element("trend").parentElement);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
