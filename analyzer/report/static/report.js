"use strict";
(() => {
  const place = document.getElementById("linked");
  if (!place) return;
  const labels = JSON.parse(document.getElementById("linked-labels").textContent);
  const byId = (id) => document.getElementById(id);
  const state = { index: -1, chosen: [] };
  let doc, points, spans, here, marked, times, rows, cursors;

  const number = (value, digits = 2) => Number(Number(value).toPrecision(digits)).toString();
  const length = (m) => (m >= 1 ? `${number(m, 3)} m` : `${number(m * 100, 3)} cm`);
  const clock = (ms) => new Date(ms).toISOString().slice(11, 23).replace(/\.?0+$/, "") + " UTC";
  const has = (name, i) => name in points.data && Number.isFinite(points.data[name][i]);
  const label = (name, i) => {
    const code = points.data[name][i];
    return code >= 0 ? labels[name][code] : "–";
  };

  function nearestTime(t) {
    let low = 0, high = rows - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (times[middle] <= t) low = middle; else high = middle;
    }
    return t - times[low] <= times[high] - t ? low : high;
  }

  function nearestPlace(x, y) {
    const { east, north } = points.data;
    let best = -1, least = Infinity;
    for (let i = 0; i < rows; i++) {
      const far = (east[i] - x) ** 2 + (north[i] - y) ** 2;
      if (far < least) { least = far; best = i; }
    }
    return best;
  }

  function bound(i) {
    if (!has("bound", i)) return "–";
    const value = points.data.bound[i];
    if (labels.limit_m === null) return length(value);
    let digits = 3;
    while (digits < 8 && (Number(number(value, digits)) > labels.limit_m) !== (value > labels.limit_m)) digits++;
    return `${number(value, digits)} m, limit ${labels.limit_m} m, trusted up to ${labels.trusted_to} m`;
  }

  function parts(i) {
    const found = Object.entries(labels.parts).filter(([key]) => has(key, i) && points.data[key][i] > 0);
    found.sort((a, b) => points.data[b[0]][i] - points.data[a[0]][i]);
    return found.map(([key, name]) => `${name} ${length(points.data[key][i])}`).join(", ") || "–";
  }

  function evidence(i) {
    if (points.data.trust[i] < 0 && points.data.fix_state[i] < 0) {
      return [["time", clock(times[i])], ["epochs", "missing here"]];
    }
    const unit = (name, text) => (has(name, i) ? `${number(points.data[name][i], 4)}${text}` : "–");
    return [
      ["time", clock(times[i])], ["place", has("km", i) ? `km ${points.data.km[i].toFixed(2)}` : "–"],
      ["manoeuvre", label("window", i)], ["trust", label("trust", i)], ["reasons", label("reasons", i)],
      [`${labels.axis} bound (95 %)`, bound(i)], ["made of", parts(i)], ["fix state", label("fix_state", i)],
      ["age of corrections", unit("age", " s")], ["satellites used", unit("satellites", "")], ["speed", unit("speed", " m/s")],
    ];
  }

  function show(i) {
    if (i < 0 || i === state.index) return;
    state.index = i;
    for (const cursor of cursors) cursor.location = times[i];
    const [x, y] = [points.data.east[i], points.data.north[i]];
    here.data = Number.isFinite(x) ? { east: [x], north: [y] } : { east: [], north: [] };
    const list = byId("evidence");
    list.replaceChildren(...evidence(i).flatMap(([name, text]) => {
      const [dt, dd] = [document.createElement("dt"), document.createElement("dd")];
      dt.textContent = name;
      dd.textContent = text;
      return [dt, dd];
    }));
    const slider = byId("along");
    slider.value = i;
    slider.setAttribute("aria-valuetext", `${clock(times[i])}, ${has("km", i) ? `km ${points.data.km[i].toFixed(2)}` : "no place"}`);
  }

  function choose(indices) {
    state.chosen = indices;
    const placed = indices.filter((i) => has("east", i));
    marked.data = { east: placed.map((i) => points.data.east[i]), north: placed.map((i) => points.data.north[i]) };
    const left = [], right = [];
    indices.forEach((i, n) => {
      if (n && indices[n - 1] === i - 1) right[right.length - 1] = times[i];
      else { left.push(times[i]); right.push(times[i]); }
    });
    spans.data = { left, right };
    for (const id of ["closer", "clear"]) byId(id).disabled = !indices.length;
    byId("selected").textContent = indices.length ? describe(indices) : "Nothing is selected.";
  }

  function worstOf(indices) {
    const bounds = indices.filter((i) => has("bound", i));
    return bounds.reduce((a, b) => (points.data.bound[b] > points.data.bound[a] ? b : a), bounds[0]);
  }

  function describe(indices) {
    const [first, last] = [indices[0], indices[indices.length - 1]];
    const km = indices.filter((i) => has("km", i)).map((i) => points.data.km[i]);
    const worst = worstOf(indices);
    const where = km.length ? `km ${km[0].toFixed(2)}–${km[km.length - 1].toFixed(2)}, ` : "";
    const trusts = [...new Set(indices.filter((i) => points.data.trust[i] >= 0).map((i) => label("trust", i)))].join(", ");
    return `Selected: ${where}${clock(times[first])} to ${clock(times[last])}; ${trusts || "no epochs"}` +
      (worst === undefined ? "." : `; largest bound ${bound(worst)}.`);
  }

  function between(start, end) {
    const found = [];
    for (let i = 0; i < rows; i++) if (times[i] >= start && times[i] <= end) found.push(i);
    return found.length ? found : [nearestTime((start + end) / 2)];
  }

  function look(start, end) {
    const range = doc.get_model_by_name("times");
    const pad = Math.max((end - start) * 0.15, 1000);
    range.start = start - pad;
    range.end = end + pad;
  }

  function jump(row) {
    const [start, end] = [Number(row.dataset.start), Number(row.dataset.end)];
    const found = between(start, end);
    choose(found);
    look(start, end);
    show(worstOf(found) ?? nearestTime(start));
    document.querySelectorAll("tr.chosen").forEach((other) => other.classList.remove("chosen"));
    row.classList.add("chosen");
    place.scrollIntoView({ block: "start" });
    byId("along").focus({ preventScroll: true });
  }

  function change(step) {
    const differs = (i) => ["trust", "fix_state", "window"].some((n) => points.data[n][i] !== points.data[n][i - 1]);
    let i = Math.max(state.index, 0) + step;
    while (i > 0 && i < rows && !differs(i)) i += step;
    show(Math.min(Math.max(i, 0), rows - 1));
  }

  window.linkedView = {
    point: (side, x, y) => show(side === "map" ? nearestPlace(x, y) : nearestTime(x)),
    select: (side, box, final) => {
      if (!final || box.type !== "rect") return;
      const [x0, x1] = [Math.min(box.x0, box.x1), Math.max(box.x0, box.x1)];
      if (side === "time") return choose(between(x0, x1));
      const [y0, y1] = [Math.min(box.y0, box.y1), Math.max(box.y0, box.y1)];
      const { east, north } = points.data;
      const found = [];
      for (let i = 0; i < rows; i++) if (east[i] >= x0 && east[i] <= x1 && north[i] >= y0 && north[i] <= y1) found.push(i);
      choose(found);
    },
    state: () => ({ index: state.index, selected: state.chosen, marked: marked.data.east.length, cursor: cursors.map((c) => c.location),
      here: here.data, range: [doc.get_model_by_name("times").start, doc.get_model_by_name("times").end], rows }),
  };

  function ticks() {
    const room = document.querySelector(".strips").clientWidth - 130;
    for (const model of doc.all_models) {
      if (model.type === "DatetimeAxis") model.ticker.desired_num_ticks = Math.max(2, Math.round(room / 75));
    }
  }

  const VECTOR = new Set(["HBar", "Line", "MultiLine", "Scatter", "Segment", "Step", "Text", "VStrip"]);

  function colours() {
    const style = getComputedStyle(document.documentElement);
    for (const model of doc.all_models) {
      for (const tag of model.tags ?? []) {
        if (!tag || !tag.roles) continue;
        const found = {};
        const vector = VECTOR.has(model.type);
        for (const [name, role] of Object.entries(tag.roles)) {
          const colour = style.getPropertyValue(`--${role}`).trim();
          found[name] = vector ? { value: colour } : colour;
        }
        model.setv(found);
      }
    }
  }

  function start() {
    points = doc.get_model_by_name("points");
    spans = doc.get_model_by_name("spans");
    here = doc.get_model_by_name("here");
    marked = doc.get_model_by_name("chosen");
    times = points.data.t;
    rows = times.length;
    cursors = [];
    for (const model of doc.all_models) if (model.tags?.includes("cursor")) cursors.push(model);
    byId("along").max = rows - 1;
    byId("along").addEventListener("input", (event) => show(Number(event.target.value)));
    byId("back").addEventListener("click", () => change(-1));
    byId("on").addEventListener("click", () => change(1));
    byId("whole").addEventListener("click", () => look(times[0], times[rows - 1]));
    byId("clear").addEventListener("click", () => choose([]));
    byId("closer").addEventListener("click", () => {
      const { chosen } = state;
      if (chosen.length) look(times[chosen[0]], times[chosen[chosen.length - 1]]);
    });
    document.addEventListener("click", (event) => {
      const button = event.target.closest("button.jump");
      if (button) jump(button.closest("tr"));
    });
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", colours);
    addEventListener("resize", ticks);
    colours();
    ticks();
    choose([]);
    show(0);
    document.documentElement.dataset.linked = "ready";
  }

  place.hidden = false;
  document.documentElement.classList.add("linked-on");
  (function wait() {
    doc = window.Bokeh?.documents.find((d) => d.get_model_by_name("points"));
    if (doc) start(); else setTimeout(wait, 20);
  })();
})();
