// The plots: made once in the colours of the page, then fed with columns of numbers.

const FONT = '"Segoe UI", "Helvetica Neue", "Liberation Sans", Arial, sans-serif';

const tone = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

// colours between some, evenly
function ramp(stops, n = 64) {
  const rgb = stops.map((s) => [1, 3, 5].map((i) => parseInt(s.slice(i, i + 2), 16)));
  return Array.from({ length: n }, (_, k) => {
    const at = (k / (n - 1)) * (rgb.length - 1), i = Math.min(Math.floor(at), rgb.length - 2);
    const mixed = rgb[i].map((a, j) => Math.round(a + (at - i) * (rgb[i + 1][j] - a)));
    return "#" + mixed.map((x) => x.toString(16).padStart(2, "0")).join("");
  });
}

// words: titles of axes, what the pointer reads, marks of decades, maps of a sheet, columns of every source
export function figures(words) {
  const B = Bokeh, { titles, hover, decades, sheet, columns } = words;
  const [ink, muted, grid, main, copper, asked] = ["ink", "muted", "grid", "main", "copper", "asked"].map(tone);
  const shades = ramp(tone("ramp").split(" "));
  const made = { plots: {}, sources: {}, ranges: {} };
  const source = (name) => made.sources[name];
  const stored = (name, data) => { made.sources[name] = new B.ColumnDataSource({ data }); };
  for (const [name, keys] of Object.entries(columns)) stored(name, Object.fromEntries(keys.map((key) => [key, []])));
  const fields = (names) => Object.fromEntries(names.map((name) => [name, { field: name }]));

  function figure(name, x, y, more = {}) {
    const ends = ["x", "y"].map((way) => (made.ranges[`${name}-${way}`] = new B.Range1d({ start: 0.1, end: 1 })));
    const plot = (made.plots[name] = B.Plotting.figure({
      height: 290, sizing_mode: "stretch_width", toolbar_location: null, tools: "tap",
      x_range: ends[0], y_range: ends[1], x_axis_label: x, y_axis_label: y,
      background_fill_color: null, border_fill_color: null, outline_line_color: null,
      min_border_right: 14, min_border_top: 8, ...more,
    }));
    for (const one of plot.center) one.setv({ grid_line_color: grid });
    for (const axis of [...plot.below, ...plot.left])
      axis.setv({
        axis_line_color: muted, major_tick_line_color: muted, minor_tick_line_color: null,
        major_label_text_color: ink, axis_label_text_color: ink, major_label_text_font: FONT,
        major_label_text_font_size: "12px", axis_label_text_font_size: "12px",
        axis_label_text_font_style: "normal",
      });
    return plot;
  }
  const tell = (plot, renderer, tooltips) => plot.add_tools(new B.HoverTool({ renderers: [renderer], tooltips }));
  const area = (plot, name, fill_color, more = {}) => plot.quad({
    source: source(name), ...fields(["left", "right", "bottom", "top"]), fill_color, line_color: null, ...more,
  });
  // loadings without boxes
  const hatched = (plot, name) => area(plot, name, muted, {
    fill_alpha: 0.04, hatch_pattern: "right_diagonal_line", hatch_color: muted, hatch_alpha: 0.4,
    hatch_scale: 10, hatch_weight: 0.7,
  });
  // the candidate looked at
  const ring = (plot, name) => plot.scatter({
    source: source(name), ...fields(["x", "y"]), size: 15, fill_color: null, line_color: copper, line_width: 2.5,
  });
  const line = (plot, name, more) => plot.line({ source: source(name), x: { field: "x" }, y: { field: "middle" }, ...more });
  const upright = (plot, name, more) => plot.segment({
    source: source(name), x0: { field: "x" }, y0: { field: "bottom" }, x1: { field: "x" }, y1: { field: "top" }, ...more,
  });
  // median with its 5-95 %, values where the pointer is
  function curve(plot, name, tooltips) {
    plot.varea({
      source: source(name), x: { field: "x" }, y1: { field: "low" }, y2: { field: "high" }, fill_color: main, fill_alpha: 0.18,
    });
    line(plot, name, { line_color: main, line_width: 2 });
    tell(plot, plot.scatter({ source: source(name), x: { field: "x" }, y: { field: "middle" }, size: 5, color: main }), tooltips);
  }
  // coloured cells, and the bar beside that tells their values
  function cells(plot, name, low, high, format, tooltips) {
    const mapper = new B.LinearColorMapper({ palette: shades, low, high, nan_color: muted });
    const drawn = plot.rect({
      source: source(name), ...fields(["x", "y", "width", "height"]), line_color: null,
      fill_color: { field: "value", transform: mapper },
    });
    drawn.setv({ nonselection_glyph: null, selection_glyph: null });
    tell(plot, drawn, tooltips);
    plot.add_layout(new B.ColorBar({
      color_mapper: mapper, width: 9, label_standoff: 6, padding: 2, title: null,
      ticker: new B.BasicTicker({ desired_num_ticks: 4 }), background_fill_color: null,
      formatter: new B.NumeralTickFormatter({ format }), major_label_text_color: ink, major_label_text_font: FONT,
    }), "right");
    for (const one of plot.center) one.setv({ visible: false });
    made.ranges[`${name}-colour`] = mapper;
  }

  let plot = figure("resistance", titles.weight, titles.R, { y_axis_type: "log" });
  plot.left[0].setv({
    ticker: new B.FixedTicker({ ticks: decades.map(([x]) => x) }), major_label_overrides: new Map(decades),
  });
  area(plot, "asked", asked);
  hatched(plot, "outside");
  area(plot, "threshold", muted, { fill_alpha: 0.18 });
  upright(plot, "threshold", { line_color: ink, line_dash: { value: [6, 4] }, line_width: 1.2 });
  upright(plot, "cast", { line_color: copper, line_width: 1.4 });
  line(plot, "pinned", { line_color: ink, line_width: 1.6, line_dash: { value: [2, 3] } });
  curve(plot, "known", hover.slice(0, 2));
  const marks = plot.scatter({
    source: source("readings"), ...fields(["x", "y", "marker"]), size: 9, fill_color: tone("paper"), line_color: ink,
    line_width: 1.8,
  });
  tell(plot, marks, [["", "@what"], ["R", "@R"]]);
  plot.add_layout(new B.LabelSet({
    source: source("readings"), ...fields(["x", "y"]), text: { field: "name" }, x_offset: 9, y_offset: -7,
    text_color: ink, text_font_size: "11.5px", text_font: FONT,
  }));
  ring(plot, "spot");

  plot = figure("factor", titles.weight, titles.factor);
  area(plot, "factor_asked", asked);
  hatched(plot, "factor_outside");
  curve(plot, "factors", hover);
  ring(plot, "factor_spot");

  plot = figure("map", titles.weight, titles.gap);
  cells(plot, "map", 0, 1, "0 %", [hover[0], hover.at(-1)]);
  hatched(plot, "map_outside");
  plot.scatter({ source: source("map_made"), ...fields(["x", "y"]), size: 4, color: ink });
  ring(plot, "map_spot");

  plot = figure("trade", titles.cv, titles.factor);
  area(plot, "trade_asked", asked);
  const dots = plot.scatter({
    source: source("trade"), ...fields(["x", "y", "size"]), fill_color: main, fill_alpha: 0.55, line_color: main,
  });
  tell(plot, dots, hover);
  ring(plot, "trade_spot");

  for (const { name, title, low, high, ends, along, around, rows } of sheet) {
    stored(name, { ...rows, value: rows.value.map((x) => x ?? NaN) });
    plot = figure(name, along, around);
    for (const k of [0, 1]) made.ranges[`${name}-${"xy"[k]}`].setv({ start: ends[k][0], end: ends[k][1] });
    cells(plot, name, low, high, "0.[00]", [["", "@what"], [title, "@read"]]);
  }
  return made;
}
