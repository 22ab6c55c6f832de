// Lets the course be read closely: one cursor over all lanes, spans drawn larger, a slider for keyboard and thumb. Without it
// the course stays as the server drew it; with it that one is for paper and for those who listen.
"use strict";
(() => {
  const place = document.getElementById("closely");
  const drawn = document.getElementById("drawn");
  if (!place || !drawn || typeof uPlot !== "function") return;

  const GUTTER = 46;
  const LANE = 190;
  const TIMES = 40;
  const DASHES = [[], [7, 3], [2, 3], [9, 3, 2, 3], [4, 4]];
  /** The newest is fetched no more often than this, ms. */
  const APART = 15000;

  /** What the server told: rows, and lanes with whole moments. */
  let course = null;
  let plots = [];
  /** Every moment of any line, and which of them is read. */
  let moments = [];
  let at = 0;
  /** What is seen of it, in seconds. */
  let view = [0, 1];
  let is_ours = false;

  const colour = (name) => getComputedStyle(place).getPropertyValue(name).trim();
  const clock = (form) => new Intl.DateTimeFormat("en-GB", { timeZone: course.zone, hourCycle: "h23", ...form });
  const make = (tag, attributes = {}, ...inside) => {
    const is_drawn = ["svg", "path", "rect"].includes(tag);
    const made = is_drawn ? document.createElementNS("http://www.w3.org/2000/svg", tag) : document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
    made.append(...inside);
    return made;
  };

  /** Moments come as what each is later than the one before. */
  const summed = (steps) => {
    let last = 0;
    return steps.map((step) => (last += step));
  };

  const understood = (told) => {
    for (const lane of told.lanes) {
      for (const part of [...lane.lines, ...lane.asked]) part.at = summed(part.at);
    }
    return told;
  };

  /** The last place in a list of moments that is not after `moment`; -1 where all are. */
  const before = (list, moment) => {
    let [low, high] = [0, list.length];
    while (low < high) {
      const middle = (low + high) >> 1;
      if (list[middle] <= moment) low = middle + 1;
      else high = middle;
    }
    return low - 1;
  };

  /** The nearest place in a list of moments; -1 where it is empty. */
  const nearest = (list, moment) => {
    const left = before(list, moment);
    if (left < 0) return list.length ? 0 : -1;
    return left + 1 < list.length && list[left + 1] - moment < moment - list[left] ? left + 1 : left;
  };

  /** A lane as columns over moments that they share: mean of each line, and lowest and highest where there are any. */
  const columns = (lane) => {
    const ends = [course.from, course.until];
    const tables = [[ends, [null, null]]];
    for (const line of lane.lines) {
      // Nothing is joined over a silence.
      const [x, kept] = [[], line.low ? [line.mean, line.low, line.high] : [line.mean]];
      const y = kept.map(() => []);
      line.at.forEach((moment, nth) => {
        if (nth && moment - line.at[nth - 1] > course.apart) {
          x.push(line.at[nth - 1] + 1);
          y.forEach((column) => column.push(null));
        }
        x.push(moment);
        y.forEach((column, which) => column.push(kept[which][nth]));
      });
      tables.push([x, ...y]);
    }
    const joined = uPlot.join(tables);
    joined.splice(1, 1);
    return joined;
  };

  const axes = (values, shows_times) => [
    {
      stroke: () => colour("--ink"),
      font: "12px system-ui, sans-serif",
      grid: { stroke: () => colour("--rule"), width: 1 },
      ticks: { show: shows_times, stroke: () => colour("--edge"), width: 1, size: 5 },
      size: shows_times ? TIMES : 0,
      space: 62,
      values: shows_times ? times : (_, places) => places.map(() => ""),
    },
    {
      stroke: () => colour("--ink"),
      font: "12px system-ui, sans-serif",
      grid: { stroke: () => colour("--rule"), width: 1, show: values !== null },
      ticks: { show: false },
      size: GUTTER,
      gap: 6,
      space: 28,
      values: values ?? ((_, places) => places.map(() => "")),
    },
  ];

  /** The time below, and the date where one begins. */
  const times = (plot, places, _axis, _space, step) => {
    const [from, until] = [plot.scales.x.min, plot.scales.x.max];
    const [date, time] = [clock({ day: "numeric", month: "short" }), clock({ hour: "2-digit", minute: "2-digit" })];
    const year = clock({ year: "numeric" });
    let last = null;
    return places.map((place) => {
      // The end is the next beginning: it has no room, and need not be told.
      if (place > until - 0.03 * (until - from)) return "";
      const moment = new Date(1000 * place);
      const below = (step < 86400 ? date : year).format(moment);
      const is_new = below !== last;
      last = below;
      return `${(step < 86400 ? time : date).format(moment)}${is_new ? `\n${below}` : ""}`;
    });
  };

  const common = (height, more) => ({
    width: Math.max(place.clientWidth, 200),
    height,
    padding: [9, 1, more.axes[0].ticks.show ? 0 : 9, 0],
    legend: { show: false },
    tzDate: (seconds) => uPlot.tzDate(new Date(1000 * seconds), course.zone),
    cursor: { sync: { key: "course" }, y: false, drag: { x: true, y: false, dist: 8 }, points: { size: 7, width: 2 } },
    ...more,
    hooks: {
      ...more.hooks,
      setCursor: [(plot) => {
        if (is_ours || plot.cursor.left < 0 || !plot.cursor.event) return;
        read(plot.posToVal(plot.cursor.left, "x"), plot);
      }],
      setScale: [(plot, axis) => {
        if (axis === "x" && plot === plots[0]) seen(plot.scales.x.min, plot.scales.x.max);
      }],
    },
  });

  const inside = (plot, draw) => {
    const [pen, { left, top, width, height }] = [plot.ctx, plot.bbox];
    pen.save();
    pen.beginPath();
    pen.rect(left, top, width, height);
    pen.clip();
    draw(pen, (x) => plot.valToPos(x, "x", true), (y) => plot.valToPos(y, "y", true), plot.bbox, uPlot.pxRatio);
    pen.restore();
  };

  const stroke = (pen, ratio, name, width, dash) => {
    pen.strokeStyle = colour(name);
    pen.lineWidth = width * ratio;
    pen.setLineDash(dash.map((length) => length * ratio));
    pen.stroke();
  };

  const present = (pen, across, box, ratio) => {
    pen.beginPath();
    pen.moveTo(across(course.now), box.top);
    pen.lineTo(across(course.now), box.top + box.height);
    stroke(pen, ratio, "--ink", 1, [2, 2]);
  };

  const lane_plot = (lane, host) => {
    const series = [{}];
    const bands = [];
    lane.lines.forEach((line, nth) => {
      const name = `--line-${nth % DASHES.length}`;
      series.push({
        stroke: () => colour(name), width: 1.8, dash: DASHES[nth % DASHES.length], points: { fill: () => colour("--sheet") },
      });
      if (!line.low) return;
      const edge = { stroke: "transparent", width: 0, points: { show: false } };
      series.push({ ...edge }, { ...edge });
      bands.push({ series: [series.length - 1, series.length - 2], fill: () => `${colour(name)}38` });
    });
    const digits = lane.ends[1] - lane.ends[0] < 5 ? 1 : 0;
    return new uPlot(common(LANE, {
      series,
      bands,
      scales: { x: { time: true }, y: { range: lane.ends } },
      axes: axes((_, places) => places.map((value) => `${value.toFixed(digits)}${lane.unit.replace(/^ /, "\u2009")}`), false),
      hooks: {
        drawClear: [(plot) => inside(plot, (pen, _across, down, box) => {
          if (!lane.band) return;
          pen.fillStyle = colour("--well-wash");
          pen.fillRect(box.left, down(lane.band[1]), box.width, down(lane.band[0]) - down(lane.band[1]));
        })],
        draw: [(plot) => inside(plot, (pen, across, down, box, ratio) => {
          if (lane.limit) {
            pen.beginPath();
            pen.moveTo(box.left, down(lane.limit.value));
            pen.lineTo(box.left + box.width, down(lane.limit.value));
            stroke(pen, ratio, "--act", 1.4, [10, 4]);
          }
          for (const asked of lane.asked) {
            pen.beginPath();
            asked.at.forEach((moment, nth) => {
              if (nth) pen.lineTo(across(moment), down(asked.value[nth - 1]));
              pen.lineTo(across(moment), down(asked.value[nth]));
            });
            pen.lineTo(across(course.until), down(asked.value[asked.value.length - 1]));
            stroke(pen, ratio, "--edge", 1.6, [1.5, 3]);
          }
          present(pen, across, box, ratio);
        })],
      },
    }), columns(lane), host);
  };

  const row_plot = (host) => {
    const tall = course.rows.reduce((sum, row) => sum + row.tall, 0);
    return new uPlot(common(tall + TIMES + 9, {
      series: [{}, { stroke: "transparent", points: { show: false } }],
      scales: { x: { time: true }, y: { range: [0, 1] } },
      axes: axes(null, true),
      hooks: { draw: [(plot) => inside(plot, draw_rows)] },
    }), [[course.from, course.until], [null, null]], host);
  };

  const draw_rows = (pen, across, _down, box, ratio) => {
    let top = box.top;
    for (const row of course.rows) {
      const foot = top + (row.tall - 2) * ratio;
      for (const [from, until, level, kind] of row.bars ?? []) {
        pen.fillStyle = colour(kind === "burns" ? "--burn" : `--${kind.replace("alarm ", "")}`);
        const height = (2 + 18 * level) * ratio;
        pen.fillRect(across(from), foot - height, Math.max(across(until ?? course.now) - across(from), 1.5 * ratio), height);
      }
      for (const [from, until, hours] of row.days ?? []) {
        pen.fillStyle = colour("--burn");
        const [left, right, height] = [across(from), across(until), (row.tall - 4) * ratio * Math.min(hours / 24, 1)];
        const gap = 0.06 * (right - left);
        pen.fillRect(left + gap, foot - height, right - left - 2 * gap, height);
      }
      pen.font = `${13 * ratio}px system-ui, sans-serif`;
      pen.textAlign = "left";
      pen.textBaseline = "alphabetic";
      pen.lineJoin = "round";
      pen.setLineDash([]);
      pen.strokeStyle = colour("--sheet");
      pen.lineWidth = 3 * ratio;
      pen.strokeText(row.written ?? row.name, box.left + 4 * ratio, top + 16 * ratio);
      pen.fillStyle = colour("--ink");
      pen.fillText(row.written ?? row.name, box.left + 4 * ratio, top + 16 * ratio);
      top += row.tall * ratio;
    }
    present(pen, across, box, ratio);
  };

  const swatch = (kind, shape) =>
    make("svg", { width: 28, height: 10 }, shape === "band"
      ? make("rect", { class: "band", width: 28, height: 10 })
      : make("path", { class: kind, d: "M0 5H28" }));

  const key = (kind, name, shape) => make("span", { class: "key" }, swatch(kind, shape), ` ${name}`);

  const caption = (lane) => make(
    "figcaption", {},
    make("span", { class: "lane-title" }, lane.title),
    ...lane.lines.map((line, nth) => key(`line l${nth % DASHES.length}`, line.name)),
    ...(lane.band ? [key("", "band", "band")] : []),
    ...lane.asked.map((asked) => key("asked", asked.name)),
    ...(lane.limit ? [key("limit", lane.limit.name)] : []),
  );

  /** Number and unit. */
  const value = (lane, number) => `${number.toFixed(1)}${lane.unit}`;

  /** What was so at a moment, in words. */
  const told = (moment) => {
    const is_summed = course.lanes.some((lane) => lane.lines.some((line) => line.low));
    const is_daily = is_summed && course.apart > 86400;
    const form = { day: "numeric", month: "short", ...(is_daily ? { year: "numeric" } : { hour: "2-digit", minute: "2-digit" }) };
    const words = [];
    for (const lane of course.lanes) {
      for (const line of lane.lines) {
        const nth = nearest(line.at, moment);
        const is_near = nth >= 0 && Math.abs(line.at[nth] - moment) <= course.apart / 2;
        const name = lane.unit ? line.name : `${line.name} UVI`;
        if (!is_near) words.push(`${name} –`);
        else if (line.low && line.high[nth] - line.low[nth] >= 0.05) {
          words.push(`${name} ${value(lane, line.mean[nth])} (${line.low[nth].toFixed(1)} to ${line.high[nth].toFixed(1)})`);
        } else words.push(`${name} ${value(lane, line.mean[nth])}`);
      }
    }
    for (const row of course.rows) {
      const bar = row.bars?.findLast(([from, until]) => from <= moment && moment < (until ?? course.until));
      const day = row.days?.find(([from, until]) => from <= moment && moment < until);
      const lamp = row.bars?.some((bar) => bar[3] === "burns");
      if (day) words.push(`${row.name} ${day[2].toFixed(1)} h that day`);
      else if (bar && bar[3] !== "burns") words.push(`alarm ${row.name}`);
      else if (lamp) words.push(`${row.name} ${!bar ? "off" : bar[2] > 0.99 ? "on" : `${Math.round(100 * bar[2])} %`}`);
    }
    return [clock(form).format(new Date(1000 * moment)).replace(",", ""), words.join(" · ")];
  };

  const slider = make("input", { type: "range", id: "moment", min: 0, max: 0, step: 1 });
  const when = make("b");
  const what = make("span");
  const closer = make("button", { type: "button", class: "plain" }, "Closer");
  const whole = make("button", { type: "button", class: "plain" }, "Whole span");
  const figures = make("div", { "aria-hidden": "true", class: "chart" });

  /** What is done by it is no doing of the mouse. */
  const ours = (act) => {
    is_ours = true;
    act();
    is_ours = false;
  };

  /** Reads the moment nearest to this one. */
  const read = (moment, leading) => {
    const nth = nearest(moments, moment);
    if (nth < 0) return;
    at = nth;
    slider.value = at;
    const [time, words] = told(moments[at]);
    when.textContent = time;
    what.textContent = words;
    slider.setAttribute("aria-valuetext", `${time}: ${words}`);
    if (leading) return;
    ours(() => {
      for (const plot of plots) {
        // Where the mouse was is no longer what is read.
        plot.cursor.event = null;
        plot.setCursor({ left: plot.valToPos(moments[at], "x"), top: 0 });
      }
    });
  };

  const seen = (from, until) => {
    view = [from, until];
    whole.disabled = from <= course.from && until >= course.until;
    closer.disabled = until - from < 240;
  };

  const show = (from, until) => {
    // At once: places are asked for right after.
    ours(() => plots.forEach((plot) => plot.batch(() => plot.setScale("x", { min: from, max: until }))));
    seen(from, until);
    read(moments[at] ?? from);
  };

  /** As much as is seen, around a moment, and nothing beyond the ends. */
  const around = (moment, width) => {
    const from = Math.max(course.from, Math.min(moment - width / 2, course.until - width));
    show(from, Math.min(from + width, course.until));
  };

  slider.addEventListener("input", () => {
    const moment = moments[slider.valueAsNumber];
    if (moment < view[0] || moment > view[1]) around(moment, view[1] - view[0]);
    read(moment);
  });
  slider.addEventListener("keydown", (event) => {
    if (event.key === "+") closer.click();
    if (event.key === "-" || event.key === "Escape") whole.click();
  });
  closer.addEventListener("click", () => around(moments[at], (view[1] - view[0]) / 2));
  whole.addEventListener("click", () => show(course.from, course.until));

  const newest = async () => {
    const answer = await fetch(place.dataset.course, { headers: { Accept: "application/json" } });
    if (!answer.ok || answer.redirected) throw new Error(answer.statusText);
    return understood(await answer.json());
  };

  const of_lines = () => {
    const all = new Set(course.lanes.flatMap((lane) => lane.lines.flatMap((line) => line.at)));
    moments = [...all].sort((one, other) => one - other);
    slider.max = Math.max(moments.length - 1, 0);
  };

  /** Draws all of it anew; what is looked at stays. */
  const build = () => {
    plots.forEach((plot) => plot.destroy());
    figures.replaceChildren();
    plots = [];
    const kept = view;
    for (const lane of course.lanes) {
      const host = make("div", { class: "close" });
      figures.append(make("figure", { class: "lane" }, caption(lane), host));
      plots.push(lane_plot(lane, host));
    }
    const host = make("div", { class: "close" });
    figures.append(make("figure", { class: "lane" }, make("figcaption", {}, make("span", { class: "lane-title" }, course.title)), host));
    plots.push(row_plot(host));
    show(...kept);
  };

  const begin = async () => {
    course = await newest();
    if (!course.lanes.length) return;
    place.append(
      make("p", { class: "reading" }, when, " ", what),
      make("p", { class: "moment" }, make("label", { for: "moment" }, "Moment"), slider, closer, whole),
      figures,
    );
    place.hidden = false;
    drawn.classList.add("aside");
    of_lines();
    view = [course.from, course.until];
    at = moments.length - 1;
    build();
    new ResizeObserver(() => {
      for (const plot of plots) plot.setSize({ width: Math.max(place.clientWidth, 200), height: plot.height });
      read(moments[at]);
    }).observe(place);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => plots.forEach((plot) => plot.redraw()));
    let last = performance.now();
    document.addEventListener("renewed", async () => {
      if (performance.now() - last < APART) return;
      last = performance.now();
      try {
        const [was_last, moment, whole_span] = [at === moments.length - 1, moments[at], whole.disabled];
        course = await newest();
        of_lines();
        at = was_last ? moments.length - 1 : Math.max(nearest(moments, moment), 0);
        if (whole_span) view = [course.from, course.until];
        build();
      } catch (_) {
        // No network: it stays as it is.
      }
    });
  };

  begin().catch(() => {
    // It stays as the server drew it.
    place.hidden = true;
    drawn.classList.remove("aside");
  });
})();
