// Draws the course of a reservoir on one time axis: a chart under another, with bands, marks, zoom and pan.
// Library: uPlot, in the folder uplot.
import { day, element, made, moment, write, writeDates } from "./dom.js";

const HEIGHT = 130;
const FIRST_HEIGHT = 210;
const LETTERS = { trip: "T", cartridge: "C", sample: "S", calibration: "K" };

let charts = [];
let drawn = null;
let onZoom = () => {};

function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

function two(number) {
  return String(number).padStart(2, "0");
}

// Times with 24 hours, and dates as year, month and day, which nobody can misread.
function moments(_, splits, axis, space, increment) {
  return splits.map((seconds) => {
    const at = new Date(seconds * 1000);
    const midnight = at.getHours() === 0 && at.getMinutes() === 0;
    return increment >= 86_400 || midnight ? day(at) : `${two(at.getHours())}:${two(at.getMinutes())}`;
  });
}

// Vertical marks of trips, cartridges, samples and calibrations, each with its letter.
function marks(entries) {
  return {
    hooks: {
      draw: (u) => {
        const { ctx, bbox } = u;
        ctx.save();
        ctx.font = `600 ${Math.round(11 * devicePixelRatio)}px system-ui, sans-serif`;
        const size = 11 * devicePixelRatio;
        const letters = [];
        for (const one of entries) {
          const x = u.valToPos(one.at, "x", true);
          if (LETTERS[one.kind] === undefined || x < bbox.left || x > bbox.left + bbox.width) {
            continue;
          }
          ctx.strokeStyle = ctx.fillStyle = colour(one.kind === "trip" ? "--red" : "--ink");
          ctx.lineWidth = devicePixelRatio * (one.kind === "trip" ? 2 : 1);
          ctx.setLineDash([4 * devicePixelRatio, 3 * devicePixelRatio]);
          ctx.beginPath();
          ctx.moveTo(x, bbox.top);
          ctx.lineTo(x, bbox.top + bbox.height);
          ctx.stroke();
          // A letter that would cover another stands below it.
          const row = letters.filter((other) => Math.abs(other - x) < size).length;
          letters.push(x);
          ctx.fillText(LETTERS[one.kind], x + 3 * devicePixelRatio, bbox.top + size * (row + 1));
        }
        ctx.restore();
      },
    },
  };
}

// An upright line from the least to the greatest value of each fill, with the mean of the stored water.
function whiskers(fills) {
  return {
    hooks: {
      draw: (u) => {
        const { ctx, bbox } = u;
        const half = 3 * devicePixelRatio;
        ctx.save();
        ctx.strokeStyle = ctx.fillStyle = colour("--ink");
        ctx.lineWidth = 1.5 * devicePixelRatio;
        // A series before this may have been dashed.
        ctx.setLineDash([]);
        for (const one of fills) {
          const x = u.valToPos((one.start + one.end) / 2, "x", true);
          if (x < bbox.left || x > bbox.left + bbox.width) {
            continue;
          }
          const [low, high] = [one.low, one.high].map((value) => u.valToPos(value, "y", true));
          ctx.beginPath();
          ctx.moveTo(x, low);
          ctx.lineTo(x, high);
          for (const end of [low, high]) {
            ctx.moveTo(x - half, end);
            ctx.lineTo(x + half, end);
          }
          ctx.stroke();
          if (one.mean !== null) {
            const y = u.valToPos(one.mean, "y", true);
            ctx.fillRect(x - half, y - half, 2 * half, 2 * half);
          }
        }
        ctx.restore();
      },
    },
  };
}

function options(width, course, line, entries, isLast) {
  const ink = colour("--soft");
  const rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
  const font = `${Math.round(rem * 0.8)}px system-ui, sans-serif`;
  const axis = { stroke: ink, font, grid: { stroke: colour("--line"), width: 1 }, ticks: { stroke: colour("--line") } };
  const plain = { points: { show: false } };
  const solids = line.name === "product" || line.name === "reservoir";
  const series = line.bars
    ? [{}, { stroke: colour("--water"), fill: colour("--water-pale"), paths: uPlot.paths.bars({ size: [0.8, 60] }), points: { show: false } }]
    : [
        {},
        { stroke: colour("--water"), width: 2, spanGaps: false, points: { show: true, size: 4, fill: colour("--water") } },
        { ...plain, stroke: colour("--water"), width: 0.6, spanGaps: false },
        { ...plain, stroke: colour("--water"), width: 0.6, spanGaps: false },
      ];
  if (solids) {
    series.push({ ...plain, stroke: colour("--red"), width: 2 }, { ...plain, stroke: colour("--amber"), width: 2, dash: [8, 6] });
  }
  const atLeast = solids ? course.limit : 0;
  return {
    width,
    height: line.name === "product" ? FIRST_HEIGHT : HEIGHT + (isLast ? 20 : 0),
    legend: { show: false },
    cursor: { sync: { key: "course" }, drag: { x: true, y: false }, points: { show: false }, y: false },
    scales: {
      x: { min: course.start, max: course.end },
      y: { range: (_, least, most) => (line.name === "temperature" ? [least - 1, most + 1] : [0, Math.max(most ?? 0, atLeast) * 1.1 || 1]) },
    },
    axes: [
      { ...axis, values: moments, space: rem * 5.5 },
      { ...axis, size: rem * 3.4, space: rem * 1.6 },
    ],
    series,
    bands: line.bars ? [] : [{ series: [3, 2], fill: colour("--water-pale") }],
    plugins: [marks(entries), ...(line.name === "product" ? [whiskers(course.fills ?? [])] : [])],
    hooks: {
      setCursor: [(u) => hover(u)],
      setSelect: [
        (u) => {
          if (u.select.width > 8) {
            onZoom(u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x"));
          }
        },
      ],
    },
  };
}

function hover(u) {
  const [course, entries] = drawn ?? [];
  if (course === undefined || u.cursor.left === undefined || u.cursor.left < 0) {
    return;
  }
  say(course, entries, u.posToVal(u.cursor.left, "x"));
}

// Puts the values at a time into words, with their bands and with a mark nearby.
function say(course, entries, seconds) {
  let at = 0;
  course.times.forEach((time, index) => {
    at = time <= seconds ? index : at;
  });
  const parts = course.lines
    .filter((line) => line.mean[at] !== null && line.mean[at] !== undefined)
    .map((line) => {
      const [low, high] = [line.low[at], line.high[at]];
      return `${line.words} ${line.mean[at]} ${line.unit}${low === high ? "" : ` (${low} to ${high})`}`;
    });
  const near = (course.end - course.start) / 60;
  const mark = entries.find((one) => LETTERS[one.kind] !== undefined && Math.abs(one.at - seconds) < near);
  const fill = (course.fills ?? []).find((one) => Math.abs((one.start + one.end) / 2 - seconds) < Math.max(near / 4, (one.end - one.start) / 2));
  const more = `${fill === undefined ? "" : ` ${fill.words}`}${mark === undefined ? "" : ` ${mark.time} ${mark.sentence}`}`;
  write(
    element("at-word"),
    `${moment(course.times[at] ?? seconds)}: ${parts.length === 0 ? "no values" : parts.join("; ")}.${more}`,
  );
}

function fill(times, value) {
  return times.map(() => value);
}

export function showCharts(course, entries) {
  const isNew = drawn === null || drawn[0].end - drawn[0].start !== course.end - course.start;
  drawn = [course, entries];
  const box = element("charts");
  writeDates(element("trend-word"), course.sentence ?? "There are no data for this time.");
  charts.forEach((chart) => chart.destroy());
  charts = [];
  box.replaceChildren();
  const nothing = !Array.isArray(course.lines) || course.lines.length === 0;
  box.hidden = nothing;
  element("trend-key").hidden = nothing;
  if (nothing || isNew) {
    write(element("at-word"), nothing ? "" : "Point at a chart for its values. Drag across it to zoom.");
  }
  if (nothing) {
    return;
  }
  const width = box.clientWidth;
  const lines = [...course.lines];
  if (course.litres_a_day.length > 0) {
    lines.push({ name: "litres", words: "made a day", unit: course.volume_unit, bars: true });
  }
  lines.forEach((line, index) => {
    const figure = made("figure");
    const caption = made("figcaption", `${line.words[0].toUpperCase()}${line.words.slice(1)}, ${line.unit}`);
    figure.append(caption);
    figure.setAttribute("role", "group");
    box.append(figure);
    const data = line.bars
      ? [course.days.map((start) => start + 43_200), course.litres_a_day]
      : [course.times, line.mean, line.low, line.high];
    if (line.name === "product" || line.name === "reservoir") {
      data.push(fill(course.times, course.limit), fill(course.times, course.target));
    }
    charts.push(new uPlot(options(width, course, line, entries, index === lines.length - 1), data, figure));
  });
}

// The strokes of the cartridges; the newest one is solid and wide.
const DASHES = [[2, 4], [6, 4], [10, 4], [2, 2, 8, 2], [12, 3, 2, 3]];
let comparing = null;
let compared = null;

// One line for each cartridge over the litres that it made.
export function showCartridges(found) {
  compared = found;
  comparing?.destroy();
  comparing = null;
  const box = element("cartridges-chart");
  box.replaceChildren();
  const known = found.cartridges ?? [];
  element("cartridges-box").hidden = known.length === 0;
  if (known.length === 0 || box.clientWidth === 0) {
    return;
  }
  write(element("cartridges-unit"), `${found.unit} over ${found.volume_unit} made; the newest is the wide line`);
  const rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
  const axis = { stroke: colour("--soft"), font: `${Math.round(rem * 0.8)}px system-ui, sans-serif`, grid: { stroke: colour("--line"), width: 1 }, ticks: { stroke: colour("--line") } };
  const last = known.length - 1;
  const series = known.map((one, at) => ({
    stroke: colour(at === last ? "--water" : "--ink"),
    width: at === last ? 3 : 1.5,
    dash: at === last ? undefined : DASHES[(last - 1 - at) % DASHES.length],
    spanGaps: true,
    points: { show: false },
  }));
  const most = Math.max(...known.map((one) => one.litres.at(-1)));
  const levels = [found.limit, found.target].map((at) => [[0, most], [at, at]]);
  const data = uPlot.join([...known.map((one) => [one.litres, one.product]), ...levels]);
  const level = { points: { show: false }, spanGaps: true };
  comparing = new uPlot(
    {
      width: box.clientWidth,
      height: FIRST_HEIGHT,
      legend: { show: false },
      cursor: { show: false },
      scales: {
        x: { time: false, range: [0, most] },
        y: { range: (_, least, greatest) => [0, Math.max(greatest ?? 0, found.limit) * 1.1] },
      },
      axes: [{ ...axis, space: rem * 5 }, { ...axis, size: rem * 3.4, space: rem * 1.6 }],
      series: [{}, ...series, { ...level, stroke: colour("--red"), width: 2 }, { ...level, stroke: colour("--amber"), width: 2, dash: [8, 6] }],
    },
    data,
    box,
  );
}

function again() {
  if (drawn !== null) {
    showCharts(...drawn);
  }
  if (compared !== null) {
    showCartridges(compared);
  }
}

export function wireCharts(zoom) {
  onZoom = zoom;
  let width = 0;
  new ResizeObserver(([entry]) => {
    const now = Math.round(entry.contentRect.width);
    if (now !== width && now > 0) {
      width = now;
      requestAnimationFrame(again);
    }
  }).observe(element("charts").parentElement);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
}
