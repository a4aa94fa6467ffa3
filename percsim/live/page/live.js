"use strict";
// The page says what is asked and shows what it is sent; it computes no number of its own.

const $ = (what, of = document) => of.querySelector(what);
const $$ = (what, of = document) => [...of.querySelectorAll(what)];
const start = JSON.parse($("#start").textContent), { notes } = start;
const state = { n: 0, shown: 0, settings: {}, at: null, pin: null, reach: null };
let line = null, wait = 500;

// --- the address keeps what was turned ------------------------------------------------
function remember() {
  const kept = new URLSearchParams(state.settings);
  if (state.at) kept.set("at", state.at.join(","));
  if (state.pin) kept.set("a", new URLSearchParams(state.pin).toString());
  history.replaceState(null, "", "#" + kept.toString());
}

function recall() {
  const kept = new URLSearchParams(location.hash.slice(1));
  const at = (kept.get("at") || "").split(",").map(Number);
  state.at = at.length === 2 && at.every((x) => x > 0) ? at : null;
  state.pin = kept.has("a") ? Object.fromEntries(new URLSearchParams(kept.get("a"))) : null;
  kept.delete("at");
  kept.delete("a");
  state.settings = Object.fromEntries(kept);
}

// --- the line ---------------------------------------------------------------------------
const tell = (message) => {
  if (line && line.readyState === 1) line.send(JSON.stringify(message));
};

function ask() {
  state.n += 1;
  document.body.dataset.n = state.n;
  document.body.classList.add("busy");
  tell({ ask: state.n, settings: state.settings, at: state.at, pin: state.pin });
}

function note(text, kind = "") {
  const where = $("#line");
  where.textContent = text || "";
  where.className = kind;
}

function connect() {
  line = new WebSocket(`ws://${location.host}/line`);
  line.onopen = () => {
    wait = 500;
    note("");
    document.body.classList.remove("lost");
    if ($("#knobs")) {
      tell({ readings: table ? table.text() : "" });
      ask();
    }
  };
  line.onmessage = (event) => hear(JSON.parse(event.data));
  line.onclose = () => {
    document.body.classList.add("lost");
    note(notes.lost, "bad");
    setTimeout(connect, wait);
    wait = Math.min(2 * wait, 4000);
  };
}

function hear(told) {
  if ("locked" in told) {
    document.body.classList.toggle("locked", told.locked);
    for (const button of $$("[data-save]")) button.disabled = told.locked;
    note(told.locked ? notes.second : "", told.locked ? "bad" : "");
  }
  if (told.progress) note(told.progress);
  if (told.reload) location.reload();
  if (told.note && $("#saved")) $("#saved").textContent = told.note;
  if (told.saved === "readings") table.saved();
  if ("difference" in told) {
    $("#difference").hidden = false;
    $("#difference").textContent = told.difference;
  }
  if (told.box) import("/box.js").then((drawn) => drawn.show(told.box, notes));
  if ("sheet" in told) table.fill(told.sheet);
  if (!told.n || told.n < state.shown) return;
  state.shown = told.n;
  for (const [name, html] of Object.entries(told.parts || {})) put(name, html);
  for (const [key, dial] of Object.entries(told.knobs || {})) settle(key, dial);
  for (const [name, title] of Object.entries(told.titles || {}))
    $(`[data-title="${name}"]`).textContent = title;
  drawing ??= requestAnimationFrame(() => setTimeout(draw)); // words first
  if (told.faults) blame(told.faults);
  if (told.at) looked(told.at, told.reach);
  for (const columns of told.plots || []) feed(columns);
  if (told.parts?.recipes && told.n === state.n) document.body.dataset.shown = told.n;
  if (told.done && told.n === state.n) {
    remember();
    document.body.classList.remove("busy");
    document.body.dataset.done = told.n;
  }
}

function put(name, html) {
  const where = $("#" + name);
  if (!where) return;
  if (where.told !== html) {
    const held = $$("button", where).indexOf(document.activeElement);
    where.innerHTML = where.told = html;
    if (held >= 0) $$("button", where)[held]?.focus();
  }
  if (name === "needs") where.hidden = !html;
}

// --- knobs ------------------------------------------------------------------------------
const holder = (key) => $(`[data-key="${CSS.escape(key)}"]`);
const three = (x) => String(+x.toPrecision(3));

function place(slide, value) {
  const [low, high] = [+slide.dataset.low, +slide.dataset.high];
  if (value === null || Number.isNaN(value)) return;
  const share = "log" in slide.dataset
    ? Math.log(value / low) / Math.log(high / low) : (value - low) / (high - low);
  slide.value = Math.round(1000 * Math.min(Math.max(share, 0), 1));
}

function value(slide) {
  const [low, high, share] = [+slide.dataset.low, +slide.dataset.high, slide.value / 1000];
  return "log" in slide.dataset ? low * (high / low) ** share : low + share * (high - low);
}

function turn(key, text, start) {
  if (text.trim() === start.trim()) delete state.settings[key];
  else state.settings[key] = text.trim();
  ask();
}

function settle(key, dial) {
  const knob = holder(key);
  if (!knob) return;
  const [field, slide] = [$("input[type=text], select", knob), $("input[type=range]", knob)];
  const own = key in state.settings;
  knob.classList.toggle("turned", own);
  if (!own && document.activeElement !== field) field.value = dial.text || field.dataset.start;
  // a hand on the slider is not pushed, a hand that only came to it is
  if (slide && !(knob.slid && document.activeElement === slide)) place(slide, dial.value);
  const basis = $("[data-basis]", knob);
  if (basis) basis.textContent = dial.basis;
}

function blame(faults) {
  for (const knob of $$("[data-key]")) {
    const [told, where] = [faults[knob.dataset.key] || "", $(".fault", knob)];
    where.hidden = !told;
    where.textContent = told;
    $("input[type=text], select", knob).setAttribute("aria-invalid", told ? "true" : "false");
  }
  const rest = Object.entries(faults).filter(([key]) => !key || !holder(key));
  $("#fault").hidden = !rest.length;
  $("#fault").textContent = rest.map(([key, text]) => (key ? `${key}: ${text}` : text)).join("; ");
}

function wire(knob) {
  const key = knob.dataset.key;
  const [field, slide] = [$("input[type=text], select", knob), $("input[type=range]", knob)];
  field.addEventListener("change", () => { knob.slid = false; turn(key, field.value, field.dataset.start); });
  if (!slide) return;
  slide.addEventListener("input", () => {
    knob.slid = true;
    const unit = slide.dataset.unit;
    field.value = three(value(slide)) + (unit.startsWith(":") ? unit : unit && " " + unit);
    turn(key, field.value, field.dataset.start);
  });
}

function looked(at, reach) {
  state.reach = reach;
  const scale = [100, 1000];
  for (const knob of $$("[data-at]")) {
    const i = +knob.dataset.at;
    const [field, slide] = [$("input[type=text]", knob), $("input[type=range]", knob)];
    [slide.dataset.low, slide.dataset.high] = [scale[i] * reach[2 * i], scale[i] * reach[2 * i + 1]];
    if (document.activeElement !== field) field.value = String(+(scale[i] * at[i]).toPrecision(4));
    if (!(knob.slid && document.activeElement === slide)) place(slide, scale[i] * at[i]);
    knob.dataset.value = at[i];
    knob.classList.toggle("turned", state.at !== null);
  }
}

// a number with or without its unit; a decimal comma is a point
function plain(text, unit) {
  const bare = text.trim().replace(unit, "").trim().replace(",", ".");
  return bare ? Number(bare) : NaN;
}

function look(i, number) {
  const at = $$("[data-at]").map((knob) => +knob.dataset.value);
  at[i] = number;
  if (at.every((x) => x > 0 && Number.isFinite(x))) {
    state.at = at;
    ask();
  } else $("#fault").textContent = notes["no place"];
  $("#fault").hidden = at.every((x) => x > 0 && Number.isFinite(x));
}

function begin() {
  for (const knob of $$("[data-key]")) wire(knob);
  for (const knob of $$("[data-at]")) {
    const [i, scale] = [+knob.dataset.at, [100, 1000][+knob.dataset.at]];
    const [field, slide] = [$("input[type=text]", knob), $("input[type=range]", knob)];
    const unit = $(".unit", knob).textContent;
    field.addEventListener("change", () => { knob.slid = false; look(i, plain(field.value, unit) / scale); });
    slide.addEventListener("input", () => {
      knob.slid = true;
      field.value = three(value(slide));
      look(i, +field.value / scale);
    });
  }
  if (matchMedia("(max-width: 860px)").matches) for (const group of $$("#knobs details")) group.open = false;
  $("#knobs").addEventListener("submit", (event) => event.preventDefault());
  restore();
  $("#plot-map").onkeydown = step;
  $("#follow").onclick = () => { state.at = null; ask(); };
  $("#reset").onclick = () => { state.settings = {}; state.at = null; restore(); ask(); };
  $("#pin").onclick = () => { state.pin = state.pin ? null : { ...state.settings }; pinned(); ask(); };
  $("#back").onclick = () => { state.settings = { ...state.pin }; restore(); ask(); };
  $("#print").onclick = () => print();
  $("#from-cup").onclick = () => tell({ sheet: true });
  $("#box-open").onclick = () => {
    $("#box-offer").textContent = notes.solving;
    tell({ box: true });
  };
  $("#diff").onclick = () => tell({ save: "difference" });
  document.addEventListener("click", (event) => {
    const [save, run, pick] = ["[data-save]", "[data-run]", "[data-pick]"].map((x) => event.target.closest(x));
    if (save) tell({ save: save.dataset.save });
    if (run) tell({ run: run.dataset.run });
    if (pick) { state.at = pick.dataset.pick.split(",").map(Number); ask(); }
  });
  addEventListener("hashchange", () => { recall(); restore(); ask(); });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  table = readings();
}

function restore() {
  for (const knob of $$("[data-key]")) {
    const field = $("input[type=text], select", knob);
    field.value = state.settings[knob.dataset.key] ?? field.dataset.start;
  }
  pinned();
}

function pinned() {
  $("#pin").setAttribute("aria-pressed", state.pin ? "true" : "false");
  $("#pin").textContent = state.pin ? "Unpin A" : "Pin as A";
  $("#back").hidden = !state.pin;
}

// --- plots ------------------------------------------------------------------------------
let kept = {}, drawing = null, drawn = null;

async function draw() {
  const { figures } = await import("/figures.js");
  if (!window.Bokeh?.Plotting) await new Promise((loaded) => addEventListener("load", loaded, { once: true }));
  drawn = figures(start);
  for (const [name, plot] of Object.entries(drawn.plots)) {
    $(`#plot-${name}`).replaceChildren();
    await Bokeh.Plotting.show(plot, `#plot-${name}`);
    $(`#plot-${name} > *`).tabIndex = -1; // by keys the map is chosen from, no plot panned
  }
  drawn.plots.map.on_event("tap", choose);
  const again = kept;
  kept = {};
  feed(again);
  document.body.dataset.drawn = matchMedia("(prefers-color-scheme: dark)").matches ? 1 : 0;
}

function choose({ x, y }) {
  const [low, high, near, far] = state.reach;
  const bound = (x, a, b) => Math.min(Math.max(x, a), b);
  state.at = [bound(+(x / 100).toPrecision(3), low, high), bound(+(y / 1000).toPrecision(2), near, far)];
  ask();
}

// a step of the keyboard is a cell of the map
function step(event) {
  const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
  if (!way) return;
  event.preventDefault();
  const [low, high, near, far] = state.reach, [w, gap] = state.at ?? $$("[data-at]").map((knob) => +knob.dataset.value);
  choose({ x: 100 * (w + (way[0] * (high - low)) / 23), y: 1000 * (gap + (way[1] * (far - near)) / 8) });
}

function feed(columns) {
  for (const [name, data] of Object.entries(columns)) {
    // what stands as it was needs no painting
    if (JSON.stringify(kept[name]) === JSON.stringify(data)) continue;
    kept[name] = data;
    if (!drawn) continue;
    if (drawn.sources[name]) drawn.sources[name].data = data;
    else drawn.ranges[name].setv(name === "map-colour" ? { low: data[0], high: data[1] } : { start: data[0], end: data[1] });
  }
}

// --- readings ---------------------------------------------------------------------------
let table = null;
const HEADINGS = ["cup", "weight_fraction (wt%)", "electrode_gap (mm)", "resistance (kohm)",
  "strain (microstrain)", "strained_resistance (kohm)", "note"];

function cells(text) {
  // as the program reads it: one separator, quotes doubled inside quotes; a spreadsheet hands
  // out tabs, and its decimal commas may be more
  const lines = text.split(/\r?\n/).filter((x) => x.trim() && !x.trim().startsWith("#"));
  const count = (mark) => (lines[0] || "").split(mark).length;
  const mark = count("\t") > 1 ? "\t" : count(";") > count(",") ? ";" : ",";
  return lines.map((row) => {
    const out = [];
    for (let i = 0, cell = "", quoted = false; i <= row.length; i++) {
      const c = row[i];
      if (c === '"') {
        if (quoted && row[i + 1] === '"') { cell += c; i++; } else quoted = !quoted;
      } else if (c === undefined || (c === mark && !quoted)) {
        out.push(cell.trim());
        cell = "";
      } else cell += c;
    }
    return out;
  });
}

function readings() {
  // a reload loses nothing; the file is written when asked
  const key = `readings of ${$(".where").textContent}`, blank = [HEADINGS, HEADINGS.map(() => "")];
  let { rows, saved } = JSON.parse(sessionStorage.getItem(key)) ?? { rows: blank, saved: "" };
  const keep = () => sessionStorage.setItem(key, JSON.stringify({ rows, saved }));
  const before = [];
  const where = $("#readings-table");
  const quote = (cell) => (/[",;\t]/.test(cell) ? `"${cell.replaceAll('"', '""')}"` : cell);
  const full = (row) => row.some((cell) => cell);
  const text = () => {
    const kept = rows.slice(1).filter(full);
    return kept.length ? [rows[0], ...kept].map((row) => row.map(quote).join(",")).join("\n") + "\n" : "";
  };
  const send = () => {
    const told = text();
    if (told.length > 1e6) { $("#saved").textContent = notes["too large"]; return; }
    keep();
    tell({ readings: told });
    ask();
  };
  const change = (made) => {
    before.push(JSON.stringify(rows));
    rows = made;
    show();
    send();
  };
  // a cell changes in its place: the hand that types goes on to the next
  function edit(i, j, cell) {
    before.push(JSON.stringify(rows));
    rows = rows.map((row) => [...row]);
    rows[i][j] = cell;
    if (i === rows.length - 1 && full(rows[i])) {
      rows.push(rows[0].map(() => ""));
      $("tbody", where).append(drawn(rows.at(-1), rows.length - 1));
    }
    $("#undo").disabled = false;
    send();
  }
  function drawn(row, i) {
    const tr = document.createElement("tr");
    row.forEach((cell, j) => {
      const input = document.createElement("input");
      input.value = cell;
      input.size = Math.max(6, Math.min(rows[0][j].length, 26));
      input.setAttribute("aria-label", i ? `${rows[0][j]}, row ${i}` : `heading ${j + 1}`);
      input.onchange = () => edit(i, j, input.value.trim());
      input.onkeydown = (event) => {
        const to = { Enter: 1, ArrowDown: 1, ArrowUp: -1 }[event.key];
        if (!to) return;
        event.preventDefault();
        input.blur();
        const other = $$("tr", where)[i + to];
        (other ? $$("input", other)[j] : input).focus();
      };
      input.onpaste = (event) => {
        const told = event.clipboardData.getData("text");
        if (!/[\n\t]/.test(told)) return;
        event.preventDefault();
        paste(told, i, j);
      };
      const td = document.createElement(i ? "td" : "th");
      td.append(input);
      tr.append(td);
    });
    return tr;
  }
  function show() {
    const held = $$("input", where).indexOf(document.activeElement);
    const body = document.createElement("table");
    body.append(document.createElement("tbody"));
    body.firstChild.append(...rows.map(drawn));
    where.replaceChildren(body);
    if (held >= 0) $$("input", where)[held]?.focus();
    $("#undo").disabled = !before.length;
  }
  function paste(told, i, j) {
    const made = cells(told);
    if (!made.length) return;
    if (made[0].some((cell) => /resistance|electrode_gap|weight_fraction|^gap|^loading|^r\b/i.test(cell))) { fill(told); return; }
    const next = rows.map((r) => [...r]);
    made.forEach((row, di) => {
      while (next.length <= i + di) next.push(rows[0].map(() => ""));
      row.forEach((cell, dj) => { if (j + dj < rows[0].length) next[i + di][j + dj] = cell; });
    });
    change(next);
  }
  function fill(told) {
    const made = cells(told);
    if (!made.length) return;
    const width = made[0].length;
    change(made.map((row) => [...row, ...Array(width)].slice(0, width).map((x) => x || "")));
  }
  const undo = () => {
    if (!before.length) return;
    rows = JSON.parse(before.pop());
    show();
    send();
  };
  const open = async (file) => {
    if (file.size > 1e6) { $("#saved").textContent = notes["too large"]; return; }
    fill(await file.text());
  };
  $("#undo").onclick = undo;
  $("#add-row").onclick = () => change([...rows, rows[0].map(() => "")]);
  $("#clear-readings").onclick = () => change(blank);
  $("#file").onchange = (event) => { if (event.target.files[0]) open(event.target.files[0]); event.target.value = ""; };
  where.addEventListener("keydown", (event) => {
    if (event.key === "z" && (event.ctrlKey || event.metaKey)) { event.preventDefault(); undo(); }
  });
  addEventListener("dragover", (event) => event.preventDefault());
  addEventListener("drop", (event) => {
    event.preventDefault();
    if (event.dataTransfer.files[0]) open(event.dataTransfer.files[0]);
  });
  addEventListener("beforeunload", (event) => { if (text() && text() !== saved) event.preventDefault(); });
  show();
  return { text, fill, saved: () => { saved = text(); keep(); } };
}

if ($("#knobs")) {
  recall();
  begin();
}
connect();
