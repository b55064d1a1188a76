// First part of the script of a page: what is packed, and the look of all figures.
const root = document.documentElement;
const by = (id) => document.getElementById(id);
const DEPTH = 60, BALLOON_DEPTH = 40;
let facts, data, now = 0;

// --- what is packed ---------------------------------------------------------------------------

const inflate = async (id) => {
  const packed = by(id).textContent;
  const unpack = () => {
    const text = atob(packed), found = new Uint8Array(text.length);
    for (let i = 0; i < text.length; i++) found[i] = text.charCodeAt(i);
    return found;
  };
  const bytes = Uint8Array.fromBase64 ? Uint8Array.fromBase64(packed) : unpack();
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Response(stream).arrayBuffer();
};
const words = async (id) => new TextDecoder().decode(await inflate(id));
const kinds = { Uint8Array, Uint16Array, Int16Array, Float32Array };

// One frequency of an array, as it is stored.
const codes = (name, f) => {
  const { at, kind, shape } = facts.arrays[name];
  const size = shape.slice(1).reduce((a, b) => a * b, 1);
  const type = kinds[kind];
  return new type(data, at + f * size * type.BYTES_PER_ELEMENT, size);
};
// The levels that codes stand for; code 0 is nothing.
const levels = (name, f) => {
  const { top, step, most } = facts.arrays[name];
  return Array.from(codes(name, f), (c) => (c === 0 ? null : top[f] - (most - c) * step));
};
const rows = (flat, columns) => {
  const found = [];
  for (let i = 0; i < flat.length; i += columns) found.push(flat.slice(i, i + columns));
  return found;
};
const steps = (count, first, step) => Array.from({ length: count }, (_, i) => first + i * step);
// Text of files in a figure: no markup.
const plain = (text) => String(text).replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;");

// --- look -------------------------------------------------------------------------------------

const colour = (name) => getComputedStyle(root).getPropertyValue("--" + name).trim();
const dark = () => root.dataset.theme === "dark";
const narrow = () => window.innerWidth < 640;
const scale = (name) => facts.scales[name].map((c, i, all) => [i / (all.length - 1), c]);
const series = () => dark()
  ? ["#8ec1f2", "#ff8f9e", "#f0e0a0", "#b9a1e8", "#7fd6a8", "#f0b060"]
  : ["#2f6fb0", "#b8283e", "#14202b", "#7a5195", "#1f7a52", "#a3630a"];
const axis = (title, more = {}) => ({
  title: { text: title, standoff: 8 }, gridcolor: colour("grid"), linecolor: colour("line"), zeroline: false,
  automargin: true, ...more,
});
const layout = (more = {}) => ({
  paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
  font: { color: colour("ink"), size: narrow() ? 11 : 13 },
  margin: { l: narrow() ? 52 : 70, r: narrow() ? 52 : 70, t: 38, b: 60 },
  modebar: { bgcolor: "rgba(0,0,0,0)", color: colour("soft"), activecolor: colour("link") },
  hoverlabel: { bgcolor: colour("card"), bordercolor: colour("line"), font: { color: colour("ink") } },
  legend: { orientation: "h", y: -0.16, yanchor: "top", x: 0 }, uirevision: "same", ...more,
});
const bar = (title) => ({
  title: { text: title, side: "right" }, thickness: narrow() ? 10 : 16, outlinewidth: 0, tickfont: { color: colour("ink") },
});
const options = { responsive: true, displaylogo: false, showTips: false, showSendToCloud: false, modeBarButtonsToRemove: ["select2d", "lasso2d"] };
const put = (id, traces, look) => window.Plotly.react(by(id), traces, look, options);
const unit = () => (facts.absolute ? "EIRP [dBm]" : "directivity [dBi]");
const offset = (f) => (facts.absolute ? facts.level[f] : 0);
