// Second part: one function a figure, drawn at the frequency `now`.

// --- patterns ---------------------------------------------------------------------------------

// A number with decimals, without a minus sign before nothing.
const fixed = (value, decimals) => value.toFixed(decimals).replace(/^-(0[.0]*)$/, "$1");
// Levels of a map with the first azimuth repeated at its end.
const closed = (name, f) => {
  const columns = facts.arrays[name].shape[2];
  return rows(levels(name, f), columns).map((row) => [...row, row[0]]);
};
const peak = (f) => ({ theta: facts.peak.theta[f], phi: ((facts.peak.phi[f] % 360) + 360) % 360, top: facts.peak.directivity[f] });

const cuts = () => {
  const f = now, count = facts.cuts.angles, planes = facts.cuts.names[f].length;
  const angle = steps(count, -180, 360 / (count - 1));
  const top = facts.peak.directivity[f], own = levels("cuts", f), other = facts.cuts.other ? levels("other", f) : null;
  const look = series(), traces = [], axes = {}, notes = [], shapes = [];
  const gap = 0.1, height = (1 - gap * (planes - 1)) / planes;
  const hover = `%{x:.1f}°: %{y:.2f} dB, %{customdata:.2f} ${facts.absolute ? "dBm" : "dBi"}<extra>%{fullData.name}</extra>`;
  for (let c = 0; c < planes; c++) {
    const at = c + 1, y = "y" + (2 * c + 1 || ""), right = "y" + (2 * c + 2), x = "x" + (c ? at : "");
    const left = c ? y : "y";
    const place = [1 - (c + 1) * height - c * gap, 1 - c * (height + gap)];
    const line = (values, name, style, more = {}) => traces.push({
      x: angle, y: values.map((v) => (v === null ? null : v - top)), customdata: values.map((v) => (v === null ? null : v + offset(f))),
      mode: "lines", name, legendgroup: name, showlegend: c === 0, line: style, xaxis: x, yaxis: left, hovertemplate: hover, ...more,
    });
    const part = (all, kind) => all.slice((2 * c + kind) * count, (2 * c + kind + 1) * count);
    if (facts.cuts.bands) {
      const size = facts.cuts.bands.angle.length, all = levels("bands", f);
      const [low, middle, high] = [0, 1, 2].map((k) => all.slice((3 * c + k) * size, (3 * c + k + 1) * size));
      const along = facts.cuts.bands.angle;
      traces.push({
        x: [...along, ...along.slice().reverse()], y: [...high, ...low.reverse()].map((v) => Math.max(v - top, -DEPTH - 5)),
        fill: "toself", mode: "none", fillcolor: dark() ? "rgba(142,193,242,.35)" : "rgba(47,111,176,.28)", hoverinfo: "skip",
        name: `${+(100 * facts.cuts.bands.confidence).toPrecision(6)} % band`, legendgroup: "band", showlegend: c === 0, xaxis: x, yaxis: left,
      });
      line(middle, "both polarisations", { color: colour("soft"), width: 1, dash: "1px,2px" }, { x: along });
    }
    line(part(own, 0), "co-polar", { color: look[0], width: 2.2 });
    line(part(own, 1), "cross-polar", { color: look[1], width: 1.5, dash: "6px,3px" });
    if (other) {
      const name = plain(facts.cuts.other);
      line(part(other, 0), name + ", co-polar", { color: look[4], width: 1.6, dash: "2px,2px" });
      line(part(other, 1), name + ", cross-polar", { color: look[5], width: 1.2, dash: "2px,4px" });
    }
    traces.push({ x: [null], y: [null], xaxis: x, yaxis: right, showlegend: false, hoverinfo: "skip" });
    const range = [-DEPTH, 3], absolute = range.map((v) => v + top + offset(f));
    axes["xaxis" + (c ? at : "")] = axis(c === planes - 1 ? "angle from the peak [deg]" : "", {
      range: [-180, 180], dtick: narrow() ? 90 : 30, anchor: left, matches: c ? "x" : undefined,
    });
    axes["yaxis" + (c ? 2 * c + 1 : "")] = axis("over the peak [dB]", { range, dtick: 10, domain: place, anchor: x });
    axes["yaxis" + (2 * c + 2)] = axis(unit(), {
      range: absolute, dtick: 10, tick0: Math.round(absolute[0]), overlaying: left, side: "right", showgrid: false, anchor: x, tickformat: ".4~r",
    });
    shapes.push(...unseen(f, c, count, angle, x, left));
    notes.push({ text: plain(facts.cuts.names[f][c]), xref: "paper", yref: "paper", x: 0, y: place[1], yanchor: "bottom", xanchor: "left", showarrow: false });
  }
  const legend = { orientation: "h", y: -0.1, yanchor: "top", x: 0 };
  tabulate(angle, own, count, planes);
  return put("cuts", traces, layout({ ...axes, shapes, annotations: notes, legend, hovermode: "closest" }));
};

const tabulate = (angle, own, count, planes) => {
  const every = Math.round((count - 1) / 36), head = ["deg"];
  for (let c = 0; c < planes; c++) for (const kind of ["co", "cross"]) head.push(`${facts.cuts.names[now][c]}, ${kind}-polar`);
  const body = [];
  for (let i = 0; i < count; i += every) {
    const row = [fixed(angle[i], 1)];
    for (let c = 0; c < 2 * planes; c++) row.push(fixed(own[c * count + i], 2));
    body.push(row);
  }
  fill(by("cut-values"), body, 1);
  const cells = head.map((text, i) => Object.assign(document.createElement("th"), { textContent: text, scope: "col", className: i ? "number" : "" }));
  const line = document.createElement("tr");
  line.append(...cells);
  by("cut-head").replaceChildren(line);
};

// Where the near field along a cut was not measured, as rectangles.
const unseen = (f, c, count, angle, x, y) => {
  if (!facts.trusted) return [];
  const seen = codes("trusted-cuts", f).slice(c * count, (c + 1) * count), found = [];
  for (let i = 0, from = -1; i <= count; i++) {
    if (i < count && !seen[i] && from < 0) from = i;
    if (from >= 0 && (i === count || seen[i])) {
      found.push({ type: "rect", xref: x, yref: y + " domain", x0: angle[from], x1: angle[i - 1], y0: 0, y1: 1, layer: "below", line: { width: 0 }, fillcolor: colour("unseen"), opacity: 0.35 });
      from = -1;
    }
  }
  return found;
};

// A map over theta and phi, with what belongs on it.
const sphere = (id, z, more, title, traces = []) => {
  const step = 180 / (z.length - 1), theta = steps(z.length, 0, step), phi = steps(z[0].length, 0, step);
  const heat = { type: "heatmap", x: phi, y: theta, z, colorbar: bar(title), hoverongaps: false, ...more };
  return put(id, [heat, ...traces], layout({
    xaxis: axis("phi [deg]", { range: [0, 360], dtick: narrow() ? 90 : 45 }), yaxis: axis("theta [deg]", { range: [180, 0], dtick: 30 }),
  }));
};
const atPole = (at) => Math.min(at.theta, 180 - at.theta) < facts.pole;
const cross = (x, y) => ({
  x: [x], y: [y], mode: "markers", name: "peak", marker: { symbol: "cross-thin", size: 14, line: { width: 3, color: "#ff4d6a" } },
  hovertemplate: "peak at %{x:.2f}, %{y:.2f}<extra></extra>",
});
const map = () => {
  const f = now, z = closed("map", f), at = peak(f), theta = steps(z.length, 0, facts.step), phi = steps(z[0].length, 0, facts.step);
  const level = (v) => (facts.absolute && v !== null ? fixed(v + facts.level[f], 1) + " dBm" : "");
  const traces = [
    { type: "contour", x: phi, y: theta, z, contours: { start: at.top - 3, end: at.top - 3, size: 1, coloring: "none" }, line: { color: "#ffffff", width: 1.2 }, showscale: false, hoverinfo: "skip", showlegend: false },
    { ...cross(at.phi, at.theta), showlegend: false, hovertemplate: (atPole(at) ? "peak at -" : "peak at %{x:.2f}") + ", %{y:.2f}<extra></extra>" },
  ];
  if (facts.trusted) {
    const columns = facts.arrays.trusted.shape[2];
    const seen = rows(Array.from(codes("trusted", f), (c) => (c ? null : 1)), columns).map((row) => [...row, row[0]]);
    if (seen.some((row) => row.includes(1))) {
      traces.unshift({ type: "heatmap", x: phi, y: theta, z: seen, colorscale: [[0, colour("unseen")], [1, colour("unseen")]], opacity: 0.85, showscale: false, hovertemplate: "phi %{x}°, theta %{y}°: hangs on what was not measured<extra></extra>" });
    }
  }
  const text = facts.absolute ? z.map((row) => row.map(level)) : undefined;
  const hover = "phi %{x}°, theta %{y}°: %{z:.1f} dBi" + (text ? ", %{text}" : "") + "<extra></extra>";
  return sphere("map", z, { zmin: at.top - BALLOON_DEPTH, zmax: at.top, colorscale: scale("viridis"), text, hovertemplate: hover }, "directivity [dBi]", traces);
};

// Level of a map in a direction, between its places.
const between = (flat, columns, theta, phi) => {
  const t = Math.min(theta / facts.step, flat.length / columns - 1), p = (((phi % 360) + 360) % 360) / facts.step;
  const i = Math.min(Math.floor(t), flat.length / columns - 2), j = Math.floor(p) % columns, k = (j + 1) % columns;
  const a = t - i, b = p - Math.floor(p);
  const low = flat[i * columns + j] * (1 - b) + flat[i * columns + k] * b;
  return (1 - a) * low + a * (flat[(i + 1) * columns + j] * (1 - b) + flat[(i + 1) * columns + k] * b);
};
const half = () => {
  const value = by("half").value, which = "xyz".indexOf(value[1]), sign = value[0] === "-" ? -1 : 1;
  return { which, sign, names: ["xyz"[(which + 1) % 3], "xyz"[(which + 2) % 3]] };
};
const nearestHalf = (f) => {
  const at = peak(f), t = (at.theta * Math.PI) / 180, p = (at.phi * Math.PI) / 180;
  const to = [Math.sin(t) * Math.cos(p), Math.sin(t) * Math.sin(p), Math.cos(t) * (1 + 1e-9)];
  const which = to.map(Math.abs).indexOf(Math.max(...to.map(Math.abs)));
  return (to[which] < 0 ? "-" : "+") + "xyz"[which];
};
const cosines = () => {
  const f = now, { which, sign, names } = half(), at = peak(f), count = 301;
  const flat = levels("map", f), columns = facts.arrays.map.shape[2];
  const u = steps(count, -1, 2 / (count - 1));
  const over = (found) => u.map((v) => u.map((w) => {
    const rest = 1 - v * v - w * w;
    if (rest < 0) return null;
    const r = [0, 0, 0];
    r[(which + 1) % 3] = w; r[(which + 2) % 3] = v; r[which] = sign * Math.sqrt(rest);
    return found((Math.acos(Math.max(-1, Math.min(1, r[2]))) * 180) / Math.PI, (Math.atan2(r[1], r[0]) * 180) / Math.PI);
  }));
  const z = over((theta, phi) => between(flat, columns, theta, phi));
  const t = (at.theta * Math.PI) / 180, p = (at.phi * Math.PI) / 180;
  const to = [Math.sin(t) * Math.cos(p), Math.sin(t) * Math.sin(p), Math.cos(t)];
  const traces = [{ type: "heatmap", x: u, y: u, z, zmin: at.top - BALLOON_DEPTH, zmax: at.top, colorscale: scale("viridis"), colorbar: bar("directivity [dBi]"), hoverongaps: false, hovertemplate: "%{x:.2f}, %{y:.2f}: %{z:.1f} dBi<extra></extra>" }];
  if (facts.trusted) {
    const seen = codes("trusted", f), around = facts.arrays.trusted.shape[2];
    const hidden = over((theta, phi) => (seen[Math.round(theta / facts.step) * around + (Math.round((phi + 360) / facts.step) % around)] ? null : 1));
    if (hidden.some((row) => row.includes(1))) {
      traces.push({ type: "heatmap", x: u, y: u, z: hidden, colorscale: [[0, colour("unseen")], [1, colour("unseen")]], opacity: 0.85, showscale: false, hoverongaps: false, hovertemplate: "hangs on what was not measured<extra></extra>" });
    }
  }
  if (sign * to[which] > 0) traces.push({ ...cross(to[(which + 1) % 3], to[(which + 2) % 3]), showlegend: false });
  return put("u-v", traces, layout({
    xaxis: axis("direction cosine to " + names[0], { range: [-1, 1], constrain: "domain" }),
    yaxis: axis("direction cosine to " + names[1], { range: [-1, 1], scaleanchor: "x", constrain: "domain" }),
  }));
};

// Places of a surface over the sphere, radius r(i, j).
const surface = (z, step, radius) => {
  const x = [], y = [], w = [];
  z.forEach((row, i) => {
    const t = (i * step * Math.PI) / 180;
    x.push(row.map((_, j) => radius(i, j) * Math.sin(t) * Math.cos((j * step * Math.PI) / 180)));
    y.push(row.map((_, j) => radius(i, j) * Math.sin(t) * Math.sin((j * step * Math.PI) / 180)));
    w.push(row.map((_, j) => radius(i, j) * Math.cos(t)));
  });
  return { x, y, z: w };
};
const axes3 = () => ["x", "y", "z"].flatMap((name, i) => {
  const end = [0, 0, 0];
  end[i] = 1.2;
  const to = (k) => [0, end[k]];
  return [{ type: "scatter3d", x: to(0), y: to(1), z: to(2), mode: "lines+text", text: ["", name], textfont: { color: colour("ink"), size: 14 }, line: { color: colour("soft"), width: 3 }, hoverinfo: "skip", showlegend: false }];
});
const scene = (eye) => {
  const none = { visible: false, range: [-1.15, 1.25], showspikes: false };
  return { xaxis: none, yaxis: none, zaxis: none, aspectmode: "cube", camera: { eye }, dragmode: "orbit" };
};
const balloon = () => {
  const f = now, every = Math.max(1, Math.round(2 / facts.step));
  const z = closed("map", f).filter((_, i) => i % every === 0).map((row) => row.filter((_, j) => j % every === 0));
  const at = peak(f), low = at.top - BALLOON_DEPTH, step = facts.step * every;
  const place = surface(z, step, (i, j) => Math.max(0, (z[i][j] - low) / BALLOON_DEPTH));
  const text = z.map((row, i) => row.map((v, j) => `phi ${j * step}°, theta ${i * step}°: ${fixed(v, 1)} dBi` + (facts.absolute ? `, ${fixed(v + facts.level[f], 1)} dBm` : "")));
  const turn = ((at.phi + 40) * Math.PI) / 180;
  const trace = { type: "surface", ...place, surfacecolor: z, cmin: low, cmax: at.top, colorscale: scale("viridis"), colorbar: bar("directivity [dBi]"), text, hovertemplate: "%{text}<extra></extra>", lighting: { ambient: 0.85, diffuse: 0.3, specular: 0.05 }, contours: { x: { highlight: false }, y: { highlight: false }, z: { highlight: false } } };
  const traces = [trace];
  if (facts.trusted) {
    // Two surfaces: that which was seen, and in grey the rest, with the places beside it.
    const columns = facts.arrays.trusted.shape[2], thin = (all) => all.filter((_, k) => k % every === 0);
    const seen = thin(rows(Array.from(codes("trusted", f)), columns).map((row) => [...row, row[0]])).map(thin);
    const beside = (i, j) => [-1, 0, 1].some((a) => [-1, 0, 1].some((b) => seen[i + a] && seen[i + a][j + b] === 0));
    const grey = seen.map((row, i) => row.map((_, j) => beside(i, j)));
    const only = (wanted) => Object.fromEntries(Object.entries(place).map(([k, v]) => [k, v.map((row, i) => row.map((x, j) => (wanted(i, j) ? x : null)))]));
    if (grey.some((row) => row.includes(true))) {
      const one = colour("unseen");
      Object.assign(trace, only((i, j) => seen[i][j] === 1));
      traces.push({ ...trace, ...only((i, j) => grey[i][j]), colorscale: [[0, one], [1, one]], showscale: false, text: undefined, hovertemplate: "hangs on what was not measured<extra></extra>" });
    }
  }
  return put("balloon", [...traces, ...axes3()], layout({ margin: { l: 0, r: 0, t: 0, b: 0 }, scene: scene({ x: 1.3 * Math.cos(turn), y: 1.3 * Math.sin(turn), z: 0.6 }) }));
};
const turning = (id) => {
  const box = by(id);
  box.tabIndex = 0;
  box.addEventListener("keydown", (event) => {
    const keys = { ArrowLeft: [-10, 0, 1], ArrowRight: [10, 0, 1], ArrowUp: [0, 10, 1], ArrowDown: [0, -10, 1], "+": [0, 0, 0.87], "-": [0, 0, 1.15] };
    const view = box._fullLayout && box._fullLayout.scene;
    if (!keys[event.key] || !view) return;
    event.preventDefault();
    const [about, up, zoom] = keys[event.key], eye = view._scene.getCamera().eye;
    const far = Math.hypot(eye.x, eye.y, eye.z) * zoom;
    const p = Math.atan2(eye.y, eye.x) + (about * Math.PI) / 180;
    const t = Math.max(-1.5, Math.min(1.5, Math.asin(eye.z / Math.hypot(eye.x, eye.y, eye.z)) + (up * Math.PI) / 180));
    window.Plotly.relayout(box, { "scene.camera.eye": { x: far * Math.cos(t) * Math.cos(p), y: far * Math.cos(t) * Math.sin(p), z: far * Math.sin(t) } });
  });
};

// --- over frequency, modes --------------------------------------------------------------------

const overFrequency = () => {
  const x = facts.all_ghz.map(Number), look = series(), units = [...new Set(facts.curves.map((c) => c.unit))];
  const groups = [units.filter((u) => u !== "deg"), units.filter((u) => u === "deg")].filter((g) => g.length);
  const marks = x.length > 40 ? "lines" : "lines+markers";
  const traces = facts.curves.map((curve, i) => {
    const trace = { x, y: curve.values, mode: marks, name: `${curve.label} [${curve.unit}]`, line: { color: look[i % look.length], dash: i < look.length ? "solid" : "dash" }, yaxis: groups.length > 1 && curve.unit === "deg" ? "y2" : "y" };
    if (curve.high) {
      const apart = (ends, sign) => ends.map((v, k) => (v === null || curve.values[k] === null ? 0 : Math.max(0, sign * (v - curve.values[k]))));
      trace.error_y = { type: "data", symmetric: false, array: apart(curve.high, 1), arrayminus: apart(curve.low, -1), thickness: 1, width: 3 };
    }
    return trace;
  });
  const here = Number(facts.ghz[now]);
  return put("over-frequency", traces, layout({
    xaxis: axis("frequency [GHz]"), yaxis: axis(groups[0].join(", ")),
    ...(groups.length > 1 ? { yaxis2: axis("deg", { overlaying: "y", side: "right", showgrid: false, tickmode: "auto" }) } : {}),
    shapes: [{ type: "line", x0: here, x1: here, yref: "paper", y0: 0, y1: 1, line: { color: colour("accent"), width: 1, dash: "dot" } }],
    legend: { orientation: "h", y: -0.25, yanchor: "top", x: 0 },
  }));
};
const spectrum = () => {
  const level = Array.from(codes("degrees", now)), n = steps(level.length, 1, 1), look = series();
  let sum = 0;
  const tail = level.slice().reverse().map((v) => 10 * Math.log10((sum += 10 ** (v / 10)))).reverse();
  const low = Math.max(-200, Math.min(...level.filter((v) => v > -290)) - 5);
  return put("spectrum", [
    { x: n, y: level, mode: "markers", name: "in degree n", marker: { color: look[0], size: n.length > 60 ? 5 : 8 }, hovertemplate: "n = %{x}: %{y:.1f} dB<extra></extra>" },
    { x: n, y: tail, mode: "lines", name: "in degree n and above", line: { color: look[1], shape: "hvh" }, hovertemplate: "n ≥ %{x}: %{y:.1f} dB<extra></extra>" },
  ], layout({ xaxis: axis("degree n", { range: [0.5, n.length + 0.5] }), yaxis: axis("power over radiated power [dB]", { range: [low, 5] }) }));
};
const orders = () => {
  const { shape, top } = facts.arrays.orders, { degree, block } = facts.spectrum, z = rows(levels("orders", now), shape[2]);
  const middle = (block - 1) / 2;
  return put("orders", [{ type: "heatmap", x: steps(shape[2], -degree + middle, block), y: steps(shape[1], 1 + middle, block), z, zmin: top[now] - 80, zmax: top[now], colorscale: scale("viridis"), colorbar: bar("power [dB]"), hoverongaps: false, hovertemplate: "n = %{y}, m = %{x}: %{z:.1f} dB<extra></extra>" }],
    layout({ xaxis: axis("order m"), yaxis: axis("degree n") }));
};

// --- beams, scan, budget ----------------------------------------------------------------------

const distribution = () => {
  const level = Array.from(codes("distribution", now)), share = steps(level.length, 0, 100 / (level.length - 1)), top = level[level.length - 1];
  return put("distribution", [{ x: level, y: share, mode: "lines", line: { color: series()[1], width: 2.2 }, hovertemplate: "%{x:.2f} " + facts.beams.unit + ": %{y:.1f} %<extra></extra>" }],
    layout({ xaxis: axis(`${facts.beams.quantity} [${facts.beams.unit}]`, { range: [top - 40, top + 1] }), yaxis: axis("part of the sphere at or below [%]", { range: [0, 100] }) }));
};
const bestBeam = () => {
  const names = facts.beams.names, columns = facts.arrays.beam.shape[2], best = closed("best", now);
  const z = rows(Array.from(codes("beam", now)), columns).map((row) => [...row, row[0]]);
  const all = scale("viridis"), pick = (i) => all[Math.round((i / Math.max(1, names.length - 1)) * (all.length - 1))][1];
  const steps_ = names.flatMap((_, i) => [[i / names.length, pick(i)], [(i + 1) / names.length, pick(i)]]);
  const text = z.map((row, i) => row.map((b, j) => `${plain(names[b])}, ${fixed(best[i][j], 1)} ${facts.beams.unit}`));
  const few = names.length <= 12;
  const ticks = { ...bar(""), tickvals: few ? names.map((_, i) => i) : undefined, ticktext: few ? names.map((n) => plain(n.length > 14 ? n.slice(0, 13) + "…" : n)) : undefined };
  return sphere("best-beam", z, { zmin: -0.5, zmax: names.length - 0.5, colorscale: steps_, colorbar: ticks, text, hovertemplate: "phi %{x}°, theta %{y}°: %{text}<extra></extra>" }, "");
};
const nearField = () => {
  const kind = by("scan-kind").value, f = now, columns = facts.arrays[kind].shape[2], step = facts.scan.step;
  const z = rows(levels(kind, f), columns).map((row) => [...row, row[0]]);
  const top = facts.arrays[kind].top[f];
  const look = { amplitude: ["viridis", top - 60, top, "dB of the largest"], phase: ["twilight", -180, 180, "deg"], residual: ["cividis", top - 60, top, "dB of the largest reading"] }[kind];
  const flat = Array.from(codes("positions", 0)), more = Array.from(codes("positions", 1)), turn = facts.arrays.positions.unit;
  const theta = flat.map((v) => v * turn), phi = more.map((v) => v * turn);
  const style = { zmin: look[1], zmax: look[2], colorscale: scale(look[0]), hovertemplate: "phi %{x}°, theta %{y}°: %{z:.1f} " + (kind === "phase" ? "deg" : "dB") + "<extra></extra>" };
  const box = by("near-field");
  const flatView = by("scan-view").value === "map";
  if (box.dataset.view !== by("scan-view").value) window.Plotly.purge(box);
  box.dataset.view = by("scan-view").value;
  if (flatView) {
    const dots = { type: "scatter", x: phi, y: theta, mode: "markers", name: "positions", marker: { size: narrow() ? 1.4 : 2.4, color: "#ff4d6a", opacity: 0.7 }, hoverinfo: "skip", showlegend: true };
    return sphere("near-field", z, style, look[3], [dots]);
  }
  const place = surface(z, step, () => 1), rad = Math.PI / 180;
  const points = { type: "scatter3d", mode: "markers", name: "positions", showlegend: true, marker: { size: 1.6, color: "#ff4d6a" }, hoverinfo: "skip",
    x: theta.map((t, i) => 1.01 * Math.sin(t * rad) * Math.cos(phi[i] * rad)), y: theta.map((t, i) => 1.01 * Math.sin(t * rad) * Math.sin(phi[i] * rad)), z: theta.map((t) => 1.01 * Math.cos(t * rad)) };
  const text = z.map((row, i) => row.map((v, j) => (v === null ? "no reading" : `phi ${j * step}°, theta ${i * step}°: ${fixed(v, 1)}`)));
  const ball = { type: "surface", ...place, surfacecolor: z, cmin: look[1], cmax: look[2], colorscale: scale(look[0]), colorbar: bar(look[3]), text, hovertemplate: "%{text}<extra></extra>", lighting: { ambient: 1, diffuse: 0 } };
  return put("near-field", [ball, points, ...axes3()], layout({ margin: { l: 0, r: 0, t: 0, b: 40 }, scene: scene({ x: 1.2, y: 1.2, z: 0.8 }) }));
};
const terms = () => {
  const name = by("metric").value, table = facts.tables["terms-" + name][now];
  document.querySelectorAll(".budget").forEach((box) => box.classList.toggle("chosen", box.dataset.metric === name));
  const known = table.map((row) => [row[0], Number(row[6]), row[7]]).filter((row) => row[1] > 0).sort((a, b) => a[1] - b[1]).slice(-12);
  by("terms").style.height = 110 + 34 * Math.max(1, known.length) + "px";
  const label = (text) => plain(text.length > (narrow() ? 18 : 40) ? text.slice(0, narrow() ? 17 : 39) + "…" : text);
  return put("terms", [{ type: "bar", orientation: "h", y: known.map((_, i) => i), x: known.map((row) => row[1]), text: known.map((row) => row[2] + " %"), customdata: known.map((row) => plain(row[0])), marker: { color: series()[0] }, hovertemplate: "%{customdata}: %{x}<extra></extra>" }],
    layout({ xaxis: axis("standard uncertainty [" + by("metric").selectedOptions[0].dataset.unit + "]"), yaxis: axis("", { tickvals: known.map((_, i) => i), ticktext: known.map((row) => label(row[0])) }) }));
};
