// Third part: tables, what is drawn when, and what the controls do.

// --- tables -----------------------------------------------------------------------------------

const fill = (body, lines, wordy) => body.replaceChildren(...lines.map((line) => {
  const row = document.createElement("tr");
  row.append(...line.map((text, i) => {
    const cell = document.createElement(i ? "td" : "th");
    if (!i) cell.scope = "row";
    if (i >= wordy) cell.className = "number";
    cell.textContent = text;
    return cell;
  }));
  return row;
}));
const tables = () => {
  document.querySelectorAll("[data-table]").forEach((body) => fill(body, facts.tables[body.dataset.table][now], Number(body.dataset.words)));
  document.querySelectorAll("[data-cards] .card").forEach((card, i) => {
    card.querySelector(".value").textContent = facts.tables.cards[now][i][0];
    card.querySelector(".uncertainty").textContent = facts.tables.cards[now][i][1];
  });
  document.querySelectorAll("[data-list]").forEach((list) => list.replaceChildren(...facts.tables[list.dataset.list][now].map(([text]) => Object.assign(document.createElement("li"), { textContent: text }))));
  document.querySelectorAll(".shown").forEach((box) => { box.textContent = facts.ghz[now]; });
  by("frequency-shown").textContent = facts.ghz[now] + " GHz";
  by("frequency-slider").setAttribute("aria-valuetext", facts.ghz[now] + " GHz");
};

// --- what is seen is drawn --------------------------------------------------------------------

const figures = { cuts, map, "u-v": cosines, balloon, "over-frequency": overFrequency, spectrum, orders, distribution, "best-beam": bestBeam, "near-field": nearField, terms };
const near = new Set(), stale = new Set();
let asked = false;
const draw = async () => {
  asked = false;
  if (!near.size) return;
  await library();
  for (const id of near) if (stale.delete(id)) figures[id]();
};
const soon = () => { if (!asked) { asked = true; requestAnimationFrame(draw); } };
const redraw = (...ids) => { for (const id of ids.length ? ids : Object.keys(figures)) if (by(id)) stale.add(id); soon(); };
const watch = () => {
  const seen = new IntersectionObserver((entries) => {
    for (const entry of entries) entry.isIntersecting ? near.add(entry.target.id) : near.delete(entry.target.id);
    soon();
  }, { rootMargin: "300px" });
  for (const id of Object.keys(figures)) if (by(id)) seen.observe(by(id));
};
const show = (f) => {
  now = f;
  tables();
  redraw();
};
const paint = (theme) => {
  root.dataset.theme = theme;
  by("theme").textContent = theme === "dark" ? "Light" : "Dark";
  if (facts) redraw();
};

// The library is read once, after the words are there.
let reading = null;
const library = () => (reading = reading || words("library").then((text) => {
  const script = document.createElement("script");
  script.textContent = text;
  document.head.append(script);
}));
const fail = (error) => {
  root.classList.remove("scripted");
  by("trouble").hidden = false;
  by("trouble").textContent = "This browser cannot show the interactive figures (" + error.message + "): pictures stand in their place.";
};

const start = async () => {
  paint(window.matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light");
  by("theme").addEventListener("click", () => paint(dark() ? "light" : "dark"));
  const text = await words("facts");
  data = await inflate("arrays");
  facts = JSON.parse(text);
  now = facts.first;
  const slider = by("frequency-slider");
  slider.addEventListener("input", () => show(Number(slider.value)));
  by("half").value = nearestHalf(now);
  by("half").addEventListener("change", () => redraw("u-v"));
  for (const id of ["scan-kind", "scan-view"]) if (by(id)) by(id).addEventListener("change", () => redraw("near-field"));
  if (by("metric")) by("metric").addEventListener("change", () => redraw("terms"));
  turning("balloon");
  if (by("near-field")) turning("near-field");
  by("print").addEventListener("click", () => window.print());
  // Paper has pictures of one frequency: its tables are of the same.
  let before = now;
  window.addEventListener("beforeprint", () => { before = now; now = facts.first; tables(); });
  window.addEventListener("afterprint", () => { now = before; tables(); });
  window.addEventListener("resize", () => redraw("cuts", "map"));
  slider.value = now;
  root.classList.add("scripted");
  tables();
  if (by("metric")) document.querySelectorAll(".budget").forEach((box, i) => box.classList.toggle("chosen", i === 0));
  redraw();
  watch();
  root.dataset.ready = "yes";
};
start().then(() => (window.requestIdleCallback || setTimeout)(() => library().catch(fail))).catch(fail);
