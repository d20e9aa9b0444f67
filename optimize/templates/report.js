// The interactive part of a report: charts, filters, table, tray, sheets and downloads of a front.
// All state is in `state`; whatever changes it calls `update`, which shows it everywhere.
(() => {
  "use strict";
  const data = JSON.parse(document.getElementById("front-data").textContent);
  const { values, families, objectives } = data;
  const count = values.design.length;
  const columns = new Map(data.columns.map((column) => [column.key, column]));
  const numeric = data.columns.filter(({ key }) =>
    values[key].some((v) => typeof v === "number") && !Array.isArray(values[key][0]));
  const familyOf = new Map(families.map((family) => [family.name, family]));
  const byName = new Map(values.design.map((name, index) => [name, index]));
  const INK = "#222222", FAINT = "#c4c4c4", LETTERS = { fontFamily: "Arial, sans-serif", color: INK };
  const SYMBOLS = { "in-line": "circle", v: "triangle", opposed: "rect" };
  const ARRANGED = { "in-line": "in line", v: "V", opposed: "opposed" };
  // Categories: colours of M. Okabe and K. Ito (2008), told apart by colour-blind readers too.
  const CATEGORIES = ["#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00", "#666666"];
  const SCALE = ["#00204d", "#404c6b", "#7b7b78", "#b9ac70", "#ffe945"];  // dark to light, even in grey
  const ROWS = 15, MOST_COMPARED = 24;

  const state = {
    x: data.price, y: objectives.find((o) => o.metric !== data.price)?.column ?? data.price,
    colour: "family", hidden: new Set(), ranges: new Map(), shown: [], selected: [],
    sort: { key: "design", down: false }, page: 0, behind: false, other: "",
  };

  // Small tools --------------------------------------------------------------------------------

  const el = (tag, attributes = {}, ...children) => {
    const made = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) {
      if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
      else if (value === true) made.setAttribute(name, "");
      else if (value !== false && value !== null && value !== undefined) made.setAttribute(name, value);
    }
    made.append(...children.filter((child) => child !== null && child !== undefined));
    return made;
  };
  const svg = (tag, attributes, ...children) => {
    const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
    for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
    made.append(...children);
    return made;
  };
  const isNumber = (value) => typeof value === "number";
  // As the rest of the page writes numbers: whole from 100, three digits below.
  const shownNumber = (value) => {
    if (!isNumber(value)) return "-";
    const size = Math.abs(value);
    const text = size >= 100 ? Math.round(value).toLocaleString("en-US")
      : size < 1e-6 ? "0" : String(Number(value.toPrecision(3)));
    return text.replaceAll(",", "\u202f").replace("-", "\u2212");
  };
  const shown = (key, value) => isNumber(value)
    ? (Number.isInteger(value) && !columns.get(key)?.unit && !columns.get(key)?.sense
      ? String(value) : shownNumber(value))
    : Array.isArray(value) ? value.join("-") : (ARRANGED[value] ?? (value || "-"));
  const title = (key) => {
    const { label, unit } = columns.get(key);
    return unit ? `${label} [${unit}]` : label;
  };
  const tick = (value) => Number(value.toPrecision(7)).toLocaleString("en-US", { maximumFractionDigits: 6 }).replaceAll(",", "\u202f");
  const cell = (key, value, attributes = {}) => el("td", {
    ...attributes, class: `${isNumber(value) ? "number" : "words"} ${attributes.class ?? ""}`.trim(),
  }, isNumber(value) ? el("data", { value }, shown(key, value)) : shown(key, value));
  const say = (text) => { document.getElementById("told").textContent = text; };
  // What the page shows as 0 is 0: sums that cancel leave 1e-13 of something.
  const settled = (value) => (Math.abs(value) < 1e-6 ? 0 : Number(value.toPrecision(9)));
  const isLeast = (key) => columns.get(key)?.sense === "least";

  // What passes the filters --------------------------------------------------------------------

  const passes = (index) => {
    if (state.hidden.has(values.family[index])) return false;
    for (const [key, parts] of state.ranges) {
      const value = values[key][index];
      if (!isNumber(value) || !parts.some(([low, high]) => value >= low && value <= high)) return false;
    }
    return true;
  };
  const order = (a, b) => {
    const { key, down } = state.sort;
    const left = key === "design" ? a : values[key][a], right = key === "design" ? b : values[key][b];
    const way = isNumber(left) || isNumber(right)
      ? (left ?? Infinity) - (right ?? Infinity) : String(left).localeCompare(String(right));
    return (down ? -way : way) || a - b;
  };
  const find = () => {
    state.shown = [...Array(count).keys()].filter(passes).sort(order);
    state.page = Math.min(state.page, Math.max(0, Math.ceil(state.shown.length / ROWS) - 1));
  };

  // Colours ------------------------------------------------------------------------------------

  const ends = (key) => {
    const found = values[key].filter(isNumber);
    return found.length ? [Math.min(...found), Math.max(...found)] : [0, 1];
  };
  const mixed = (share) => {
    const at = Math.min(Math.max(share, 0), 1) * (SCALE.length - 1), low = Math.min(Math.floor(at), SCALE.length - 2);
    const channels = [SCALE[low], SCALE[low + 1]].map((c) => [1, 3, 5].map((k) => parseInt(c.slice(k, k + 2), 16)));
    return `rgb(${channels[0].map((c, k) => Math.round(c + (at - low) * (channels[1][k] - c))).join(",")})`;
  };
  const isCategory = (key) => key === "family" || !numeric.some((column) => column.key === key);
  const colouring = () => {
    const key = state.colour;
    if (key === "family") return (index) => familyOf.get(values.family[index]).color;
    if (isCategory(key)) {
      const kinds = [...new Set(values[key])].sort();
      return (index) => CATEGORIES[kinds.indexOf(values[key][index]) % CATEGORIES.length];
    }
    const [low, high] = ends(key), span = high - low || 1;
    return (index) => isNumber(values[key][index]) ? mixed((values[key][index] - low) / span) : FAINT;
  };

  // Frame of the explorer ----------------------------------------------------------------------

  const option = (column) => el("option", { value: column.key }, title(column.key));
  const chooser = (id, label, choices, key) => {
    const select = el("select", { id, onchange: () => { state[key] = select.value; update(); } }, ...choices);
    select.value = state[key];
    return el("label", { for: id }, label, select);
  };
  const named = objectives.map(({ column }) => columns.get(column));
  const others = numeric.filter((column) => !named.includes(column));
  const groups = () => [el("optgroup", { label: "objectives" }, ...named.map(option)),
                        el("optgroup", { label: "everything else" }, ...others.map(option))];
  const words = data.columns.filter(({ key }) =>
    isCategory(key) && key !== "family" && typeof values[key][0] === "string"
    && !["design", "firing_order", "also_in"].includes(key));

  const familyBoxes = () => families.map((family, place) => {
    const size = values.family.filter((name) => name === family.name).length;
    const box = el("input", { type: "checkbox", id: `family-${place}`, onchange: () => {
      if (box.checked) state.hidden.delete(family.name); else state.hidden.add(family.name);
      update();
    } });
    box.checked = true;
    return el("label", { for: `family-${place}` }, box, " ",
              el("span", { class: "swatch", style: `background:${family.color}` }), `${family.name} (${size})`);
  });
  const setFamilies = (all) => {
    state.hidden = new Set(all ? [] : families.map(({ name }) => name));
    document.querySelectorAll(".families input").forEach((box) => { box.checked = all; });
    update();
  };

  const rangeInputs = new Map();
  const addRange = (key) => {
    if (rangeInputs.has(key)) return;
    const [low, high] = ends(key);
    const make = (end, value) => el("input", {
      type: "number", step: "any", placeholder: shownNumber(value), "aria-label": `${title(key)}, ${end}`,
      onchange: () => readRange(key) });
    const pair = [make("at least", low), make("at most", high)];
    rangeInputs.set(key, pair);
    document.getElementById("ranges").append(el("div", { class: "range" },
      el("span", {}, title(key)), pair[0], el("span", { class: "to", "aria-hidden": "true" }, "to"), pair[1]));
  };
  const readRange = (key) => {
    const [low, high] = rangeInputs.get(key).map((input) => input.value.trim() === "" ? null : Number(input.value));
    if (low === null && high === null) state.ranges.delete(key);
    else state.ranges.set(key, [[low ?? -Infinity, high ?? Infinity]]);
    showBrushes();
    update();
  };
  const writeRange = (key) => {
    addRange(key);
    const parts = state.ranges.get(key);
    const found = parts ? [Math.min(...parts.map((p) => p[0])), Math.max(...parts.map((p) => p[1]))] : ["", ""];
    rangeInputs.get(key).forEach((input, end) => {
      input.value = Number.isFinite(found[end]) ? Number(found[end].toPrecision(6)) : "";
    });
  };
  const clear = () => {
    const keys = [...state.ranges.keys()];
    state.ranges.clear();
    keys.forEach(writeRange);
    showBrushes();
    setFamilies(true);
  };

  const build = () => {
    const moreRanges = el("select", { id: "more-ranges", onchange: () => {
      if (moreRanges.value) { addRange(moreRanges.value); rangeInputs.get(moreRanges.value)[0].focus(); }
      moreRanges.value = "";
    } }, el("option", { value: "" }, "choose a column"), ...others.map(option));
    const behind = el("input", { type: "checkbox", id: "behind", onchange: () => { state.behind = behind.checked; update(); } });
    const nBehind = data.behind.values.design?.length ?? 0;
    const picker = el("button", { type: "button", id: "rectangle", "aria-pressed": "false", onclick: () =>
      drawRectangle(picker.getAttribute("aria-pressed") !== "true") }, "Select in a rectangle");
    document.getElementById("explorer").append(
      el("fieldset", { class: "no-print" }, el("legend", {}, "Which designs"),
        el("div", { class: "families", role: "group", "aria-label": "Families" }, ...familyBoxes()),
        el("div", { class: "actions" },
          el("button", { type: "button", onclick: () => setFamilies(true) }, "All families"),
          el("button", { type: "button", onclick: () => setFamilies(false) }, "No family")),
        el("div", { class: "ranges", id: "ranges" }),
        el("div", { class: "choices" },
          el("label", { for: "more-ranges" }, "limit something else", moreRanges),
          el("button", { type: "button", id: "clear", onclick: clear }, "Clear all filters"))),
      el("p", { class: "status", id: "told", role: "status", "aria-live": "polite" }),
      el("h3", { class: "chart-title" }, "Two at a time"),
      el("div", { class: "choices no-print" },
        ...(data.others.length ? [chooser("other", "also show", [el("option", { value: "" }, "no other run"),
          ...data.others.map(({ label, left_out: out, design }, place) => el("option", { value: place }, `front of ${label}${out ? `, ${design.length} of ${design.length + out}` : ""}`))], "other")] : []),
        chooser("axis-x", "to the right", groups(), "x"), chooser("axis-y", "upwards", groups(), "y"),
        chooser("colour", "colour", [el("option", { value: "family" }, "family"), ...words.map(option), ...groups()], "colour")),
      el("div", { class: "actions no-print" }, picker,
        nBehind ? el("label", { for: "behind" }, behind, ` show ${nBehind}${data.behind.left_out ? ` of ${nBehind + data.behind.left_out}` : ""} beaten designs of the families' own fronts`) : null),
      el("figure", { class: "chart", role: "group", "aria-label": "Scatter chart of the designs; the table below has the same values" },
        el("div", { id: "scatter", "aria-hidden": "true" })),
      el("p", { class: "note" }, el("span", { class: "no-print" }, "Click a mark to open its sheet; of several in one place one is chosen. "), `Marks: circle in line, triangle V, square opposed; ringed: selected; named: the shortlist; star: baseline${data.others.length ? "; hollow diamond: the other run, where both axes are objectives of all runs" : ""}.`),
      el("h3", { class: "chart-title" }, "All objectives at once"),
      el("figure", { class: "chart", role: "group", "aria-label": "Parallel coordinates of the designs; the table below has the same values" },
        el("div", { id: "parallel", "aria-hidden": "true" })),
      el("p", { class: "note no-print" }, "Every line is a design; down is better on every axis. Drag along an axis to keep only what lies there; click it to let go. The limits above do the same by keyboard."),
      el("h3", { class: "chart-title" }, "The designs in a table"),
      el("div", { id: "designs" }),
      el("h3", { class: "chart-title", id: "tray-heading" }, "Your selection, side by side"),
      el("div", { id: "tray" }));
    named.forEach(({ key }) => addRange(key));
  };

  // Charts -------------------------------------------------------------------------------------

  let scatter, parallel;
  // Values of the other run that is laid over, where all the runs have that objective.
  const otherValues = (key) => {
    const metric = objectives.find((o) => o.column === key)?.metric;
    return state.other === "" || !metric ? [] : data.others[state.other].values[metric] ?? [];
  };
  // Room beyond the outermost values, so that no mark lies on the frame or on the letters of an axis.
  const range = (key) => {
    const found = [...values[key], ...otherValues(key), ...(state.behind ? data.behind.values[key] ?? [] : []), data.baseline?.values[key]].filter(isNumber);
    const low = Math.min(...found), high = Math.max(...found), span = high - low;
    if (!found.length) return { min: 0, max: 1 };
    if (span <= 1e-9 * Math.max(Math.abs(low), Math.abs(high), 1)) {
      const room = Math.max(0.05 * Math.abs(low), objectives.find((o) => o.column === key)?.resolution ?? 0, 1e-3);
      return { min: low - room, max: high + room, interval: room };
    }
    return { min: low - 0.06 * span, max: high + 0.06 * span };
  };
  const axis = (key, extra = {}) => ({
    type: "value", scale: true, ...range(key), axisTick: { show: false }, name: title(key), nameLocation: "middle", nameTextStyle: { ...LETTERS, fontSize: 13 },
    axisLabel: { ...LETTERS, hideOverlap: true, formatter: tick, showMinLabel: false, showMaxLabel: false }, axisLine: { show: true, onZero: false, lineStyle: { color: "#555555" } },
    splitLine: { showMinLine: false, showMaxLine: false, lineStyle: { color: "#e4e4e4" } }, ...extra,
  });
  const told = (index) => [`${values.design[index]}: ${data.kinds[index]}`, `family ${values.family[index]}`,
    ...new Set([...named.map(({ key }) => key), state.x, state.y])].map((line, place) =>
      place < 2 ? line : `${title(line)}: ${shown(line, values[line][index])}`);
  // Designs that are shown within a mark's width of a place in the chart, the nearest first.
  const REACH_PX = 9, MOST_TOLD = 12;
  const near = ([x, y]) => {
    const away = (index) => {
      const at = scatter.convertToPixel("grid", [values[state.x][index], values[state.y][index]]);
      return Math.hypot(at[0] - x, at[1] - y);
    };
    return state.shown.filter((i) => isNumber(values[state.x][i]) && isNumber(values[state.y][i]))
      .map((i) => [i, away(i)]).filter(([, d]) => d <= REACH_PX).sort((a, b) => a[1] - b[1] || a[0] - b[0]).map(([i]) => i);
  };
  const placeOf = (p) => scatter.convertToPixel("grid", p.data.value ?? p.data);
  const isNearBaseline = ([x, y]) => {
    const at = data.baseline && [state.x, state.y].map((key) => data.baseline.values[key]);
    if (!at || !at.every(isNumber)) return false;
    const [left, top] = scatter.convertToPixel("grid", at);
    return Math.hypot(left - x, top - y) <= REACH_PX;
  };
  const toldBaseline = () => [`baseline: ${data.baseline.name}`, ...[...new Set([...named.map(({ key }) => key), state.x, state.y])]
    .map((key) => `${title(key)}: ${shown(key, data.baseline.values[key] ?? null)}`)];
  const metricTitle = (metric) => title(objectives.find((o) => o.metric === metric).column);
  const tipAt = (p) => {
    const { behind } = data;
    if (p.data.row !== undefined) return tip([behind.values.design[p.data.row], behind.values.family[p.data.row], behind.values.told[p.data.row]]);
    const place = placeOf(p), found = near(place), run = data.others[state.other];
    const box = found.length === 1 ? tip(told(found[0])) : tip(found.length ? [`${found.length} designs here; click to choose one`,
      ...found.slice(0, MOST_TOLD).map((i) => `${values.design[i]}: ${data.kinds[i]}, ${shown(state.x, values[state.x][i])} / ${shown(state.y, values[state.y][i])}`),
      ...(found.length > MOST_TOLD ? [`and ${found.length - MOST_TOLD} more`] : [])] : []);
    if (p.data.other !== undefined) box.append(tip([`${run.label}: ${run.design[p.data.other]}`, run.family[p.data.other], "rounded, as the runs are compared",
      ...Object.entries(run.values).map(([metric, all]) => `${metricTitle(metric)}: ${shownNumber(all[p.data.other])}`)]));
    if (p.seriesId === "baseline" || isNearBaseline(place)) box.append(tip(toldBaseline()));
    return box;
  };
  // One design under the pointer opens; of several one is chosen.
  const openAt = (p) => {
    const found = near(placeOf(p));
    if (found.length === 1) openSheet(found[0]);
    else if (found.length) openChoice(found);
    else if (p.seriesId === "baseline") say(`No design of the front stands at the baseline, ${data.baseline.name}.`);
  };
  const openChoice = (found) => {
    document.getElementById("choice")?.remove();
    const dialog = el("dialog", { id: "choice", "aria-labelledby": "choice-title", onclose: () => dialog.remove() },
      el("div", { class: "sheet-top" }, el("h2", { id: "choice-title", tabindex: "-1" }, `${found.length} designs at this place`),
        el("button", { type: "button", onclick: () => dialog.close() }, "Close")),
      el("ul", { class: "choice" }, ...found.map((index) => el("li", {},
        el("button", { type: "button", class: "plain", onclick: () => { dialog.close(); openSheet(index); }, "aria-label": `open the sheet of ${values.design[index]}` }, values.design[index]),
        el("span", {}, data.kinds[index], el("small", {}, `${named.map(({ key }) => `${columns.get(key).label} ${shown(key, values[key][index])} ${columns.get(key).unit}`.trim()).join("; ")}`))))));
    document.body.append(dialog);
    dialog.showModal();
    document.getElementById("choice-title").focus();
  };
  // Names of the shortlisted that are shown; those in one spot share a label.
  const shortlistLabels = () => {
    const [dx, dy] = [state.x, state.y].map((key) => { const [low, high] = ends(key); return (high - low) || 1; });
    const spots = [];
    for (const index of state.shown.filter((i) => data.shortlist[values.design[i]])) {
      const at = [values[state.x][index], values[state.y][index]];
      if (!at.every(isNumber)) continue;
      const spot = spots.find(({ value }) => Math.abs(value[0] - at[0]) < 0.01 * dx && Math.abs(value[1] - at[1]) < 0.01 * dy);
      if (spot) spot.name += `, ${values.design[index]}`; else spots.push({ value: at, name: values.design[index] });
    }
    return spots;
  };
  const tip = (lines) => {
    const box = el("div", {});
    lines.forEach((line, place) => box.append(el(place ? "div" : "b", {}, line)));
    return box;
  };

  const scatterOption = () => {
    const colourOf = colouring(), kept = new Set(state.shown), chosen = new Set(state.selected);
    const many = state.shown.length > 400;
    const point = (index) => ({
      value: [values[state.x][index], values[state.y][index]], index,
      symbol: SYMBOLS[values.arrangement[index]] ?? "diamond",
      itemStyle: { color: colourOf(index), borderColor: chosen.has(index) ? "#000000" : "#ffffff", borderWidth: chosen.has(index) ? 2.5 : 0.5 },
      symbolSize: chosen.has(index) ? 15 : many ? 7 : 11,
    });
    const rest = [...Array(count).keys()].filter((index) => !kept.has(index));
    const series = [
      { type: "scatter", id: "rest", silent: true, symbolSize: 4, itemStyle: { color: FAINT, opacity: 0.5 },
        data: rest.map((index) => [values[state.x][index], values[state.y][index]]) },
      { type: "scatter", id: "kept", z: 3, itemStyle: { opacity: many ? 0.75 : 0.95 },
        data: state.shown.filter((i) => !chosen.has(i)).concat(state.shown.filter((i) => chosen.has(i))).map(point) },
    ];
    const { behind, baseline } = data, bx = behind.values[state.x], by = behind.values[state.y];
    series.push({ type: "scatter", id: "behind", symbol: "emptyCircle", symbolSize: 5, itemStyle: { color: "#999999", opacity: 0.6 }, z: 1,
      data: state.behind && bx && by ? bx.map((v, row) => ({ value: [v, by[row]], row })) : [] });
    const has = baseline && isNumber(baseline.values[state.x]) && isNumber(baseline.values[state.y]);
    series.push({ type: "scatter", id: "baseline", z: 2, symbolSize: 24, itemStyle: { color: "transparent", borderColor: baseline?.color, borderWidth: 2 },
      symbol: "path://M12 1l3 7.6 8.2.5-6.3 5.2 2 8L12 17.8 5.1 22.3l2-8L.8 9.1 9 8.6z",
      data: has ? [[baseline.values[state.x], baseline.values[state.y]]] : [] });
    const ox = otherValues(state.x), oy = otherValues(state.y);
    series.push({ type: "scatter", id: "other", z: 4, symbol: "diamond", symbolSize: 13, itemStyle: { color: "transparent", borderColor: INK, borderWidth: 1.4 },
      data: ox.length && oy.length ? ox.map((v, other) => ({ value: [v, oy[other]], other })) : [] });
    series.push({ type: "scatter", id: "names", silent: true, z: 6, symbolSize: 16, itemStyle: { color: "transparent" }, tooltip: { show: false },
      label: { show: true, position: "top", distance: 2, formatter: (p) => p.name, ...LETTERS, fontSize: 12, fontWeight: "bold", textBorderColor: "#ffffff", textBorderWidth: 2 },
      labelLayout: { moveOverlap: "shiftX" }, data: shortlistLabels() });
    return {
      animation: false, aria: { enabled: false }, toolbox: { show: false }, backgroundColor: "transparent", textStyle: LETTERS,
      grid: { left: 62, right: 18, top: 42, bottom: 48 },
      xAxis: axis(state.x, { nameGap: 28 }), yAxis: axis(state.y, { nameLocation: "end", nameGap: 14, nameTextStyle: { ...LETTERS, fontSize: 13, align: "left", padding: [0, 0, 0, -50] } }),
      tooltip: { confine: true, formatter: tipAt, extraCssText: "white-space:normal;max-width:20rem" },
      brush: { toolbox: [], xAxisIndex: 0, brushMode: "single", throttleType: "debounce", throttleDelay: 150, outOfBrush: { colorAlpha: 1 }, brushStyle: { color: "rgba(140,59,18,0.12)", borderColor: "#8c3b12" } },
      series,
    };
  };
  const drawRectangle = (on) => {
    document.getElementById("rectangle").setAttribute("aria-pressed", String(on));
    scatter.dispatchAction({ type: "takeGlobalCursor", key: "brush", brushOption: on ? { brushType: "rect", brushMode: "single" } : { brushType: false } });
  };
  const takeRectangle = (areas) => {
    if (!areas?.length) return;
    // A rectangle drawn to the edge ends a rounding error before it.
    const [[left, right], [low, high]] = areas[0].coordRange.map(([a, b]) => [a - 1e-6 * (b - a), b + 1e-6 * (b - a)]);
    const inside = state.shown.filter((i) => values[state.x][i] >= left && values[state.x][i] <= right
      && values[state.y][i] >= low && values[state.y][i] <= high);
    scatter.dispatchAction({ type: "brush", areas: [] });
    drawRectangle(false);
    state.selected = [...new Set([...state.selected, ...inside])];
    update();
    say(`${inside.length} designs in the rectangle were added to the selection.`);
  };

  const parallelOption = () => {
    const colourOf = colouring(), kept = new Set(state.shown), chosen = new Set(state.selected);
    const row = (index) => named.map(({ key }) => values[key][index]);
    const n = state.shown.length, opacity = n > 400 ? 0.18 : n > 60 ? 0.45 : 0.8;
    const rest = [...Array(count).keys()].filter((index) => !kept.has(index));
    const narrow = document.getElementById("parallel").clientWidth < 560;
    const wrap = (text) => text.replace(/ (?=\[)|(?<=\S{6}) (?=\S)/g, "\n");
    return {
      animation: false, backgroundColor: "transparent", textStyle: LETTERS,
      parallel: { left: narrow ? 34 : 60, right: narrow ? 34 : 60, top: 62, bottom: 26,
        axisExpandable: false, parallelAxisDefault: {
          type: "value", scale: true, nameTextStyle: { ...LETTERS, fontSize: narrow ? 11 : 12, lineHeight: 13 }, nameGap: 12,
          axisLabel: { ...LETTERS, fontSize: 11, formatter: tick, backgroundColor: "rgba(255,255,255,0.85)", padding: [1, 2] }, axisLine: { lineStyle: { color: "#444444" } },
          areaSelectStyle: { width: 18, borderWidth: 1, borderColor: "#8c3b12", color: "#8c3b12", opacity: 0.25 } } },
      parallelAxis: named.map(({ key }, dim) => ({ dim, id: key, name: wrap(title(key)), inverse: !isLeast(key), nameLocation: isLeast(key) ? "end" : "start" })),
      series: [
        { type: "parallel", id: "rest", silent: true, smooth: false, inactiveOpacity: 0.15, activeOpacity: 0.15,
          lineStyle: { color: FAINT, width: 1, opacity: 0.15 }, data: rest.map(row) },
        { type: "parallel", id: "kept", z: 3, inactiveOpacity: opacity, activeOpacity: opacity,
          lineStyle: { width: n > 400 ? 1 : 1.6, opacity },
          data: state.shown.filter((i) => !chosen.has(i)).map((index) => ({ value: row(index), index, lineStyle: { color: colourOf(index) } })) },
        { type: "parallel", id: "chosen", z: 4, inactiveOpacity: 1, activeOpacity: 1, lineStyle: { width: 3.2, opacity: 1 },
          data: state.selected.map((index) => ({ value: row(index), index, lineStyle: { color: colourOf(index) } })) },
      ],
    };
  };
  let isShowing = false;  // brushes that limits put there are no brushes of the reader's
  const showBrushes = () => { isShowing = true; named.forEach(({ key }) => {
    const [low, high] = ends(key);
    const intervals = (state.ranges.get(key) ?? []).map(([a, b]) => [Math.max(a, low), Math.min(b, high)]).filter(([a, b]) => a <= b);
    parallel.dispatchAction({ type: "axisAreaSelect", parallelAxisId: key, intervals });
  }); isShowing = false; };
  // Limits that a hand has drawn, to three digits of the axis and never inside what was drawn.
  const roundedLimits = (key, [a, b]) => {
    const [least, most] = ends(key), step = 10 ** (Math.floor(Math.log10(most - least || 1)) - 2);
    const round = (value, way) => Number((way(value / step + (way === Math.floor ? 1e-6 : -1e-6)) * step).toPrecision(9));
    return [round(Math.min(a, b), Math.floor), round(Math.max(a, b), Math.ceil)];
  };
  let waiting = 0;
  const takeBrush = ({ parallelAxisId: key, intervals }) => {
    if (isShowing) return;
    const before = JSON.stringify(state.ranges.get(key) ?? []), drawn = (intervals ?? []).map((pair) => roundedLimits(key, pair));
    if (JSON.stringify(drawn) === before) return;
    if (drawn.length) state.ranges.set(key, drawn);
    else state.ranges.delete(key);
    writeRange(key);
    clearTimeout(waiting);
    waiting = setTimeout(update, 60);
  };

  const drawCharts = () => {
    scatter.setOption(scatterOption(), { replaceMerge: ["series"] });
    parallel.setOption(parallelOption(), { replaceMerge: ["series"] });
  };
  const startCharts = () => {
    const renderer = count > 600 ? "canvas" : "svg";
    [scatter, parallel] = ["scatter", "parallel"].map((id) => echarts.init(document.getElementById(id), null, { renderer }));
    scatter.on("click", (p) => { if (["kept", "baseline", "other"].includes(p.seriesId)) openAt(p); });
    scatter.on("brushEnd", (p) => takeRectangle(p.areas));
    parallel.on("axisareaselected", (p) => takeBrush(p));
    const fit = () => { document.querySelectorAll("#explorer .scroller").forEach((one) => showHint(one, one.scrollLeft)); scatter.resize(); parallel.resize(); parallel.setOption(parallelOption(), { replaceMerge: ["series"] }); };
    new ResizeObserver(() => { if (!matchMedia("print").matches && document.getElementById("scatter").clientWidth !== scatter.getWidth()) fit(); }).observe(document.getElementById("scatter"));
    // A column of A4, as the style sheet has it: the page is not laid out for print yet.
    window.addEventListener("beforeprint", () => [scatter, parallel].forEach((chart) => {
      chart.resize({ width: 680, height: 380 });
      chart.getZr().flush();
    }));
    window.addEventListener("afterprint", fit);
  };

  // Table --------------------------------------------------------------------------------------

  const selectBox = (index, where) => {
    const box = el("input", { type: "checkbox", "aria-label": `select ${values.design[index]}`, id: `${where}-${index}`, onchange: () => toggle(index, box.checked) });
    box.checked = state.selected.includes(index);
    return box;
  };
  const toggle = (index, on) => {
    state.selected = on ? [...new Set([...state.selected, index])] : state.selected.filter((i) => i !== index);
    update();
  };
  const tableKeys = () => [...new Set(["family", ...named.map(({ key }) => key), state.x, state.y,
    ...(state.colour === "family" ? [] : [state.colour])])];
  const head = (key) => {
    const now = state.sort.key === key ? (state.sort.down ? "descending" : "ascending") : "none";
    return el("th", { scope: "col", "aria-sort": now }, el("button", { type: "button", onclick: () => {
      state.sort = { key, down: state.sort.key === key && !state.sort.down };
      state.page = 0;
      update();
      document.querySelector(`#designs [data-sort="${key}"]`)?.focus();
    }, "data-sort": key }, title(key)));
  };
  const swipeHint = () => el("p", { class: "note swipe no-print", hidden: true }, "More columns to the right: scroll the table sideways; the names stay.");
  const showHint = (scroller, across = 0) => {
    scroller.scrollLeft = across;
    scroller.parentElement.querySelector(".swipe").hidden = scroller.scrollWidth <= scroller.clientWidth + 1;
  };
  const drawTable = () => {
    const keys = tableKeys(), first = state.page * ROWS, rows = state.shown.slice(first, first + ROWS);
    const pages = Math.max(1, Math.ceil(state.shown.length / ROWS));
    const turn = (by, text) => el("button", { type: "button", disabled: state.page + by < 0 || state.page + by >= pages,
      onclick: () => { state.page += by; drawTable(); say(`Page ${state.page + 1} of ${pages}`); } }, text);
    const across = document.querySelector("#designs .scroller")?.scrollLeft ?? 0;
    document.getElementById("designs").replaceChildren(
      swipeHint(),
      el("div", { class: "scroller", tabindex: "0", role: "region", "aria-label": "Designs that are shown" },
        el("table", { class: "designs" },
          el("caption", {}, `Designs that pass the filters, ${state.shown.length ? first + 1 : 0} to ${first + rows.length} of ${state.shown.length}.`),
          el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "select"), head("design"), ...keys.map(head), el("th", { scope: "col" }, "sheet"))),
          el("tbody", {}, ...rows.map((index) => el("tr", { class: state.selected.includes(index) ? "marked" : null },
            el("td", {}, selectBox(index, "row")), el("th", { scope: "row" }, values.design[index]),
            ...keys.map((key) => cell(key, values[key][index])),
            el("td", {}, el("button", { type: "button", class: "plain", onclick: () => openSheet(index), "aria-label": `open the sheet of ${values.design[index]}` }, "open"))))))),
      el("div", { class: "pages no-print" }, turn(-1, "Earlier"), el("span", {}, `page ${state.page + 1} of ${pages}`), turn(1, "Later"),
        el("button", { type: "button", id: "select-shown", onclick: () => { state.selected = [...new Set([...state.selected, ...state.shown])]; update(); } }, `Select all ${state.shown.length}`)));
    showHint(document.querySelector("#designs .scroller"), across);
  };

  // Tray ---------------------------------------------------------------------------------------

  const trayKeys = () => [...new Set([...named.map(({ key }) => key), state.x, state.y])].concat(
    ["firing_order", "throw_angles_deg", "bank_angle_deg", "shafts", "reciprocating_fraction", "bore_mm", "speed_rpm",
     "crank_length_mm", "crank_train_mass_kg", "box_litres"].filter((key) => columns.has(key)));
  const drawTray = () => {
    const tray = document.getElementById("tray"), chosen = state.selected, n = chosen.length;
    if (!n) {
      tray.replaceChildren(el("p", { class: "note" }, "Nothing is selected yet: tick designs in the table, or select in a rectangle of the chart."));
      return;
    }
    const compared = chosen.slice(0, MOST_COMPARED);
    const best = (key) => {
      const { sense } = columns.get(key), found = compared.map((i) => values[key][i]).filter(isNumber).map(settled);
      return !sense || found.length < 2 || Math.min(...found) === Math.max(...found) ? null
        : sense === "least" ? Math.min(...found) : Math.max(...found);
    };
    const rows = [...new Set(trayKeys())].map((key) => {
      const top = best(key);
      return el("tr", {}, el("th", { scope: "row" }, title(key)),
        ...compared.map((i) => cell(key, values[key][i], { class: top !== null && isNumber(values[key][i]) && settled(values[key][i]) === top ? "best" : "" })));
    });
    tray.replaceChildren(
      el("div", { class: "actions no-print" },
        el("button", { type: "button", id: "download-csv", onclick: downloadTable }, `Download ${n} as CSV`),
        el("button", { type: "button", id: "download-layouts", onclick: downloadLayouts }, n === 1 ? "Download layout file" : `Download ${n} layout files (ZIP)`),
        el("button", { type: "button", id: "empty", onclick: () => { state.selected = []; update(); } }, "Empty the selection")),
      swipeHint(),
      el("div", { class: "scroller", tabindex: "0", role: "region", "aria-labelledby": "tray-heading" },
        el("table", { class: "tray" },
          el("caption", {}, `${n} selected${n > MOST_COMPARED ? `, the first ${MOST_COMPARED} side by side` : ""}. Best value of a row: *`),
          el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "design"), ...compared.map((i) => el("th", { scope: "col" },
            crankPicture(i, "small-crank"), el("b", {}, values.design[i]), el("small", {}, data.kinds[i]),
            el("span", { class: "no-print" }, el("button", { type: "button", class: "plain", onclick: () => openSheet(i), "aria-label": `open the sheet of ${values.design[i]}` }, "open"), " ",
              el("button", { type: "button", class: "plain", onclick: () => toggle(i, false), "aria-label": `take ${values.design[i]} out of the selection` }, "remove")))))),
          el("tbody", {}, ...rows))));
    showHint(tray.querySelector(".scroller"));
  };

  // Pictures of one design ---------------------------------------------------------------------

  const at = (deg, radius) => [radius * Math.sin(deg * Math.PI / 180), -radius * Math.cos(deg * Math.PI / 180)];
  const lettering = (x, y, text, extra = {}) => svg("text", { x, y, class: "lettering", "font-size": 11, "text-anchor": "middle", "dominant-baseline": "central", ...extra }, text);
  const line = (a, b, extra) => svg("line", { x1: a[0], y1: a[1], x2: b[0], y2: b[1], ...extra });
  // From the free end, angles in the direction of rotation, 0 straight up: as the pictures above.
  const crankPicture = (index, className = "") => {
    const angles = values.throw_angles_deg[index], half = values.bank_angle_deg[index] / 2, picture = svg("svg", {
      viewBox: "-85 -75 170 150", role: "img", class: className, "aria-label": `Crank of ${values.design[index]} from the free end: throws at ${angles.join(", ")} degrees, crankpins numbered with their cylinders` });
    const banks = values.arrangement[index] === "in-line" ? [0] : [-half, half];
    // An axis that points at a name ends at the circle.
    const apart = (a, b) => Math.abs(((((a - b + 180) % 360) + 360) % 360) - 180);
    banks.forEach((deg) => picture.append(line([0, 0], at(deg, angles.some((pin) => apart(pin, deg) <= 25) ? 42 : 72), { stroke: "#5a5a5a", "stroke-dasharray": "8 3 1 3" })));
    picture.append(svg("circle", { r: 42, fill: "none", stroke: "#c9c9c9" }));
    const spots = new Map();
    angles.forEach((deg, place) => {
      const spot = String(Math.round(((deg % 360) + 360) % 360 * 100) / 100 % 360);
      const on = familyOf.get(values.family[index]).throws.flatMap((t, cylinder) => (t === place + 1 ? [cylinder + 1] : []));
      spots.set(spot, [...(spots.get(spot) ?? []), ...on].sort((a, b) => a - b));
    });
    spots.forEach((cylinders, deg) => {
      const text = cylinders.join(","), pin = at(Number(deg), 42), label = at(Number(deg), 57);
      const half = 3.1 * text.length;  // wide names go aside, as far as the picture reaches
      label[0] = Math.sign(label[0]) * Math.min(Math.abs(label[0]) * (1 + half / 60), 84 - half);
      picture.append(line([0, 0], pin, { stroke: "#5a5a5a", "stroke-width": 3.5, "stroke-linecap": "round" }),
        svg("circle", { cx: pin[0], cy: pin[1], r: 4, fill: "#ffffff", stroke: INK, "stroke-width": 1.6 }), lettering(...label, text));
    });
    picture.append(svg("circle", { r: 5.5, fill: "#ffffff", stroke: INK, "stroke-width": 1.8 }));
    return picture;
  };
  const stripPicture = (index) => {
    const cycle = data.cycle_deg, fired = values.firing_angles_deg[index], groups = values.collectors[index];
    const open = Math.min(data.open_duration_deg, cycle), width = window.innerWidth < 700 ? 300 : 540, scale = width / cycle;
    const sorted = fired.map((deg, i) => [deg, i]).sort((a, b) => a[0] - b[0] || a[1] - b[1]);
    const picture = svg("svg", { role: "img", "aria-label": `Firing order ${values.firing_order[index]} over ${cycle} degrees of crank angle, with exhaust openings by collector` });
    let last = -Infinity;
    sorted.forEach(([deg, i]) => {
      const x = deg * scale, up = x - last < 16 ? 13 : 0;
      last = up ? last : x;
      picture.append(line([x, 40], [x, 24], { stroke: INK, "stroke-width": 1.4 }), lettering(x, 15 - up, String(i + 1), { "font-weight": 700, "font-size": 13 }));
    });
    picture.append(line([0, 40], [width, 40], { stroke: INK, "stroke-width": 1.6 }));
    for (let deg = 0; deg <= cycle; deg += cycle / 4) picture.append(lettering(deg * scale, 52, `${deg}°`, { "font-size": 10 }));
    let y = 64;
    for (const group of [...new Set(groups)].sort((a, b) => a - b)) {
      for (const [deg, i] of sorted.filter(([, i]) => groups[i] === group)) {
        const pieces = deg + open <= cycle + 1e-6 ? [[deg, Math.min(deg + open, cycle)]] : [[deg, cycle], [0, deg + open - cycle]];
        pieces.forEach(([from, to]) => picture.append(svg("rect", { x: from * scale, y, width: (to - from) * scale, height: 11, fill: "#a9d3ee", stroke: INK, "stroke-width": 0.7 })));
        picture.append(lettering(-14, y + 6, String(i + 1), { "font-size": 10 }));
        y += 14;
      }
      y += 6;
    }
    picture.setAttribute("viewBox", `-26 -6 ${width + 44} ${y + 8}`);
    return picture;
  };

  // Sheet --------------------------------------------------------------------------------------

  const place = (key, index) => {
    const { sense } = columns.get(key), own = values[key][index];
    if (!sense || !isNumber(own)) return "";
    const better = values[key].filter((v) => isNumber(v) && (sense === "least" ? settled(v) < settled(own) : settled(v) > settled(own))).length;
    return `${better + 1} of ${count}`;
  };
  const bars = (keys) => {
    // One scale for the three, and for every design: the whole width is the worst of the front.
    const top = Math.max(...keys.map(([key]) => ends(key)[1]), 1e-9);
    return el("div", { class: "bars" }, ...keys.flatMap(([key, value]) => [
      el("span", {}, columns.get(key).label), el("div", { class: "bar", style: `width:${100 * value / top}%` }),
      el("span", {}, `${shown(key, value)} ${columns.get(key).unit}`)]));
  };
  const openSheet = (index) => {
    document.getElementById("sheet")?.remove();
    const name = values.design[index], get = (key) => values[key]?.[index];
    const facts = ["firing_order", "throw_angles_deg", "bank_angle_deg", "splay_deg", "pins", "shafts", "reciprocating_fraction",
      "rotating_fraction", "bore_mm", "stroke_mm", "speed_rpm", "equals", "also_in", "seeds_found", "generation"].filter((key) =>
      columns.has(key) && get(key) !== "" && get(key) !== null && !(key === "splay_deg" && !get(key)));
    const why = data.shortlist[name];
    const left = (word) => ["first_order", "second_order"].map((o) => `${o}_${word}`).concat(word.startsWith("force") ? ["force_rms_N"] : ["couple_rms_Nm"])
      .filter((key) => isNumber(get(key))).map((key) => [key, get(key)]);
    const box = selectBox(index, "sheet");
    const dialog = el("dialog", { id: "sheet", "aria-labelledby": "sheet-title", onclose: () => dialog.remove() },
      el("div", { class: "sheet-top" }, el("h2", { id: "sheet-title", tabindex: "-1" }, `${name}: ${data.kinds[index]}`),
        el("button", { type: "button", id: "close-sheet", onclick: () => dialog.close() }, "Close")),
      el("p", {}, `Family ${get("family")}.${why ? ` On the shortlist: ${why.join("; ")}.` : ""}`),
      el("p", {}, el("label", { for: `sheet-${index}` }, box, " in your selection"), " ",
        el("button", { type: "button", id: "sheet-layout", onclick: () => save(`${fileName(index)}.toml`, "application/toml", layoutText(index)) }, "Download layout file")),
      el("div", { class: "sheet-pictures" }, crankPicture(index), stripPicture(index)),
      el("p", { class: "note" }, "Left: the crank from its free end, crankpins numbered with their cylinders, bank axes dash-dotted. Right: firings by cylinder over one cycle; below, when the exhaust of each cylinder is open, collector by collector."),
      el("h3", {}, "What it is"),
      el("dl", { class: "facts" }, ...facts.map((key) => el("div", {}, el("dt", {}, title(key)), el("dd", {}, isNumber(get(key)) ? el("data", { value: get(key) }, shown(key, get(key))) : shown(key, get(key)))))),
      el("h3", {}, "What stays unbalanced"), bars(left("force_N")), bars(left("couple_Nm")),
      el("p", { class: "note" }, "Root mean square over a turn, after counterweights and shafts. The longest bar that could be: the worst of the front."),
      el("h3", {}, "All numbers"),
      el("table", { class: "wide" }, el("caption", {}, `Every metric of ${name}, and its place among the ${count} designs of the front.`),
        el("thead", {}, el("tr", {}, ...["metric", "value", "better", "place", "meaning"].map((text) => el("th", { scope: "col" }, text)))),
        el("tbody", {}, ...data.columns.filter(({ sense }) => sense).map(({ key, sense, meaning }) => el("tr", {},
          el("th", { scope: "row" }, title(key)), cell(key, get(key), { "data-label": "value" }), el("td", { "data-label": "better" }, sense),
          el("td", { "data-label": "place" }, place(key, index)), el("td", { class: "words", "data-label": "meaning" }, meaning))))),
      el("p", { class: "note" }, "For the full sheet of this layout (torque, bearings, torsion, remedies): download the layout file, then ",
        el("code", {}, `crankfront evaluate ${fileName(index)}.toml --sheet ${fileName(index)}.html`)));
    document.body.append(dialog);
    dialog.showModal();
    dialog.scrollTop = 0;
    document.getElementById("sheet-title").focus();
  };

  // Downloads ----------------------------------------------------------------------------------

  const fileName = (index) => `${values.design[index]}-${values.family[index].replaceAll(" ", "-")}`;
  const layoutText = (index) => data.layouts.designs[index].map((n) => data.layouts.lines[n]).join("\n");
  const save = (name, type, content) => {
    const link = el("a", { href: URL.createObjectURL(new Blob([content], { type })), download: name });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  };
  const csvCell = (value) => {
    const text = value === null ? "" : Array.isArray(value) ? value.join("-") : String(value);
    return /[",\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
  };
  const downloadTable = () => {
    const keys = data.columns.map(({ key }) => key);
    const lines = [keys, ...state.selected.map((i) => keys.map((key) => values[key][i]))];
    save(`${data.study}-selection.csv`, "text/csv", lines.map((row) => row.map(csvCell).join(",")).join("\r\n") + "\r\n");
  };
  const downloadLayouts = () => {
    if (state.selected.length === 1) {
      save(`${fileName(state.selected[0])}.toml`, "application/toml", layoutText(state.selected[0]));
      return;
    }
    save(`${data.study}-layouts.zip`, "application/zip", zipped(state.selected.map((i) => [`${fileName(i)}.toml`, layoutText(i)])));
  };

  // ZIP without compression: PKWARE's APPNOTE.TXT, sections 4.3.7, 4.3.12 and 4.3.16.
  const CHECK = Array.from({ length: 256 }, (_, n) => {
    for (let k = 0; k < 8; k++) n = n & 1 ? 0xedb88320 ^ (n >>> 1) : n >>> 1;
    return n >>> 0;
  });
  const crc32 = (bytes) => (bytes.reduce((crc, byte) => CHECK[(crc ^ byte) & 255] ^ (crc >>> 8), 0xffffffff) ^ 0xffffffff) >>> 0;
  const fields = (...pairs) => {
    const view = new DataView(new ArrayBuffer(pairs.reduce((sum, [size]) => sum + size, 0)));
    let offset = 0;
    for (const [size, value] of pairs) {
      if (size === 2) view.setUint16(offset, value, true); else view.setUint32(offset, value, true);
      offset += size;
    }
    return new Uint8Array(view.buffer);
  };
  const zipped = (files) => {
    const encoder = new TextEncoder(), parts = [], directory = [];
    let offset = 0;
    for (const [name, text] of files) {
      const title = encoder.encode(name), body = encoder.encode(text), UTF8 = 0x0800, DATE = 0x21;  // 1 January 1980
      const common = [[2, 20], [2, UTF8], [2, 0], [2, 0], [2, DATE], [4, crc32(body)], [4, body.length], [4, body.length], [2, title.length], [2, 0]];
      const local = fields([4, 0x04034b50], ...common);
      directory.push(fields([4, 0x02014b50], [2, 20], ...common, [2, 0], [2, 0], [2, 0], [4, 0], [4, offset]), title);
      parts.push(local, title, body);
      offset += local.length + title.length + body.length;
    }
    const size = directory.reduce((sum, part) => sum + part.length, 0);
    return new Blob([...parts, ...directory, fields([4, 0x06054b50], [2, 0], [2, 0], [2, files.length], [2, files.length], [4, size], [4, offset], [2, 0])]);
  };

  // Why not mine? ------------------------------------------------------------------------------

  // Rounded up to the difference that matters, as the run does it: objectives as whole steps, less
  // being better, a millionth of a step above a multiple being that multiple.
  const steps = (value, { column, resolution }) => Math.ceil((isLeast(column) ? value : -value) / resolution - 1e-6);
  const stepsOf = objectives.map((o) => o.rounded.map((v) => Math.round((isLeast(o.column) ? v : -v) / o.resolution)));
  const judge = (own) => {
    const boxes = own.map((value, k) => steps(value, objectives[k]));
    const all = [...Array(count).keys()];
    const beating = all.filter((i) => boxes.every((box, k) => stepsOf[k][i] <= box) && boxes.some((box, k) => stepsOf[k][i] < box));
    const same = all.filter((i) => boxes.every((box, k) => stepsOf[k][i] === box));
    const names = (some) => some.slice(0, 8).map((i) => values.design[i]).join(", ") + (some.length > 8 ? ", ..." : "");
    if (same.length) return [`These values are on the front already: ${names(same)}.`];
    if (!beating.length) return ["No design of the front beats these values: an engine that has them would stand on it."];
    const amount = (k, n) => `${shownNumber(n * objectives[k].resolution)} ${columns.get(objectives[k].column).unit}`.trim();
    // With the true difference where the counted one misleads: whole steps are rounded up.
    const gained = (k, n, i) => {
      const { column, resolution } = objectives[k], raw = Math.abs(own[k] - values[column][i]);
      return Math.abs(raw / resolution - n) <= 0.25 * n ? amount(k, n)
        : `${amount(k, raw / resolution)} (counted as ${n === 1 ? "one step" : `${n} steps`} of ${amount(k, 1)})`;
    };
    const gains = (i) => boxes.map((box, k) => [k, box - stepsOf[k][i]]).filter(([, gain]) => gain > 0);
    const ranked = [...beating].sort((a, b) => gains(b).length - gains(a).length || a - b).slice(0, 3);
    const alone = boxes.map((box, k) => [k, Math.min(...beating.map((i) => stepsOf[k][i])) - 1])
      .filter(([k, target]) => target >= 0 || !isLeast(objectives[k].column));
    return [`Beaten by ${beating.length} of ${count} designs: ${names(beating)}.`,
      ...ranked.map((i) => `${values.design[i]} (${values.family[i]}) is better in ${gains(i).map(([k, gain]) =>
        `${columns.get(objectives[k].column).label} by ${gained(k, gain, i)}`).join(", ")}, and as good in the rest.`),
      alone.length ? `It would stand on the front, all else equal, with ${alone.map(([k, target]) =>
        `${columns.get(objectives[k].column).label} of ${amount(k, isLeast(objectives[k].column) ? target : -target)}`).join(", or ")}.`
        : "No gain in one objective alone would bring it onto the front."];
  };
  const buildOwnValues = () => {
    const panel = document.getElementById("own-values");
    const verdict = el("div", { class: "verdict", role: "status", "aria-live": "polite", id: "verdict" });
    const inputs = objectives.map(({ column, metric }) => {
      const input = el("input", { type: "number", step: "any", "aria-label": `yours: ${title(column)}`, oninput: () => show() });
      const known = data.baseline?.values[metric];
      if (isNumber(known)) input.value = Number(known.toPrecision(6));
      return input;
    });
    const leastOf = objectives.map(({ column }) => ends(column)[0]);
    const show = () => {
      const own = inputs.map((input) => input.value.trim() === "" ? NaN : Number(input.value));
      const label = (k) => columns.get(objectives[k].column).label;
      const wrong = own.flatMap((value, k) => Number.isNaN(value) ? [`${label(k)}: no value yet; give a number.`]
        : value < 0 && leastOf[k] >= 0 ? [`${label(k)}: ${shownNumber(value)} cannot be; it is an amount, 0 or more.`] : []);
      inputs.forEach((input, k) => input.setAttribute("aria-invalid", String(Number.isNaN(own[k]) || (own[k] < 0 && leastOf[k] >= 0))));
      verdict.replaceChildren(...(wrong.length ? wrong : judge(own)).map((text) => el("p", {}, text)));
    };
    panel.append(el("fieldset", {}, el("legend", {}, "What yours has"),
      el("p", { class: "note" }, data.baseline ? `To begin with: ${data.baseline.name}, as its file has it.` : "From crankfront evaluate, or an estimate."),
      el("div", { class: "ranges" }, ...objectives.map(({ column }, k) => el("div", { class: "range own" }, el("span", {}, title(column)), inputs[k])))), verdict);
    panel.hidden = false;
    show();
  };

  // --------------------------------------------------------------------------------------------

  const update = () => {
    find();
    drawCharts();
    drawTable();
    drawTray();
    say(`${state.shown.length ? "" : "No design passes: widen a range, or tick a family. "}${state.shown.length} of ${count} designs pass the filters; ${state.selected.length} selected.`);
  };
  document.getElementById("explorer").hidden = false;
  build();
  buildOwnValues();
  startCharts();
  update();
  document.querySelectorAll(".open-sheet").forEach((button) =>
    button.addEventListener("click", () => openSheet(byName.get(button.dataset.design))));
  window.crankfrontReport = { state, update, values, charts: () => ({ scatter, parallel }) };  // for tests
})();
