// Makes a page answer its reader: tables that sort, charts that tell their figures under the pointer, one pick for all
// charts. A page is whole without it. Runs after Vega and Vega-Lite in one script (reports/charts/pictures.py); writes
// text as text only, and evaluates none: charts use Vega's own interpreter of expressions.
{
  const charts = [...document.querySelectorAll(".chart")];
  const wide = matchMedia("(min-width: 43.0625rem)");
  const chosen = {};
  const text = (root, id) => root.querySelector(id)?.content.textContent ?? "{}";
  const config = JSON.parse(text(document, "template#chart-config"));
  const nowhere = () => Promise.reject(new Error("a page asks nothing of any network"));

  const make = (name, className, words = "") => {
    const element = document.createElement(name);
    if (className) element.className = className;
    element.textContent = words;
    return element;
  };

  // ---- what a mark says under the pointer

  const tip = make("div", "tip");
  tip.hidden = true;
  tip.setAttribute("role", "status");
  document.body.append(tip);
  const hide = () => { tip.hidden = true; };
  addEventListener("keydown", (event) => { if (event.key === "Escape") hide(); });
  addEventListener("scroll", hide, { passive: true });

  const tell = (_, event, __, said) => {
    if (said == null || said === "") return hide();
    tip.textContent = String(said);
    tip.hidden = false;
    const { width, height } = tip.getBoundingClientRect();
    const left = Math.min(event.clientX + 14, innerWidth - width - 8);
    const top = event.clientY + 18 + height > innerHeight ? event.clientY - height - 12 : event.clientY + 18;
    tip.style.left = `${Math.max(8, left)}px`;
    tip.style.top = `${Math.max(8, top)}px`;
  };

  // ---- charts: a picture until somebody points at it or picks

  const embed = async (chart) => {
    const spec = JSON.parse(text(chart, wide.matches ? "template.wide-spec" : "template.narrow-spec"));
    const view = make("div", "view");
    chart.append(view);
    const drawn = await vegaEmbed(view, { ...spec, config }, {
      ast: true, actions: false, defaultStyle: false, renderer: "svg", tooltip: tell,
      loader: { load: nowhere, sanitize: nowhere, http: nowhere, file: nowhere },
    });
    chart.classList.add("live");
    return drawn;
  };

  const live = (chart) => {
    chart.drawn ??= embed(chart).catch(() => chart.querySelector(".view")?.remove()); // the picture stays
    return chart.drawn;
  };

  const show = async (chart) => {
    const picks = Object.entries(chosen).filter(([field]) => chart.dataset.picks?.split(" ").includes(field));
    if (!picks.length || (!chart.drawn && picks.every(([, value]) => !value))) return;
    const drawn = await live(chart);
    if (!drawn) return;
    picks.forEach(([field, value]) => drawn.view.signal(`pick_${field}`, value));
    await drawn.view.runAsync();
  };

  charts.forEach((chart) => chart.addEventListener("pointerenter", () => live(chart).then(() => show(chart))));
  wide.addEventListener("change", () => charts.filter((chart) => chart.drawn).forEach(async (chart) => {
    (await chart.drawn)?.finalize();
    chart.querySelector(".view")?.remove();
    chart.classList.remove("live");
    chart.drawn = undefined;
    show(chart);
  }));

  // ---- one pick for all charts and tables of the page

  const rows = [...document.querySelectorAll("tr[data-group]")]
    .map((row) => ({ row, group: JSON.parse(row.dataset.group) }));
  const names = JSON.parse(text(document, "template#picks"));
  const form = make("form", "picks");
  form.setAttribute("aria-label", "Point out in charts and tables");

  for (const [field, { title, values }] of Object.entries(names)) {
    const there = new Set(rows.map(({ group }) => group[field]));
    const options = Object.entries(values).filter(([value]) => there.has(value));
    if (options.length < 2 || !charts.some((chart) => chart.dataset.picks?.split(" ").includes(field))) continue;
    const label = make("label", "", `${title} `);
    const select = make("select");
    for (const [value, words] of [["", "all alike"], ...options]) {
      const option = make("option", "", words);
      option.value = value;
      select.append(option);
    }
    select.addEventListener("change", () => {
      chosen[field] = select.value;
      charts.forEach(show);
      rows.forEach(({ row, group }) => row.classList.toggle("picked", Object.entries(chosen)
        .some(([name, value]) => value && group[name] === value)));
    });
    label.append(select);
    form.append(label);
  }
  if (form.children.length) {
    form.prepend(make("span", "", "Point out:"));
    form.addEventListener("submit", (event) => event.preventDefault());
    document.querySelector("main").prepend(form);
  }

  // ---- tables that sort

  const MONTHS = "jan feb mar apr may jun jul aug sep oct nov dec".split(" ");
  const words = new Intl.Collator("en-GB", { numeric: true, sensitivity: "base" });

  const when = (said) => {
    const [, day, month, year] = /^(?:(\d{1,2})\s)?([A-Z][a-z]{2})[a-z]*\s(\d{4})$/.exec(said) ?? [];
    const place = month ? MONTHS.indexOf(month.toLowerCase()) : -1;
    return place < 0 ? NaN : Number(year) * 400 + place * 32 + Number(day ?? 0);
  };
  const amount = (said) => {
    const found = /[-\u2212]?\d[\d,]*(?:\.\d+)?/.exec(said);
    return found ? Number(found[0].replace("\u2212", "-").replaceAll(",", "")) : NaN;
  };
  const key = (row, column, numeric) => {
    const said = row.cells[column].textContent.trim().replaceAll("\u00a0", " ");
    const date = when(said);
    return Number.isNaN(date) ? (numeric ? amount(said) : said) : date;
  };
  const between = (a, b) => {
    const [lacksA, lacksB] = [a, b].map((each) => Number.isNaN(each) || each === "not recorded");
    if (lacksA || lacksB) return lacksA - lacksB;
    return typeof a === "number" && typeof b === "number" ? a - b : words.compare(a, b);
  };

  document.querySelectorAll("table").forEach((table) => {
    const body = table.tBodies[0];
    const made = [...body.rows];
    // Rows of different measures have no order by figure.
    if (made.length < 2 || body.querySelector("td[data-measure]")) return;
    const heads = [...table.tHead.rows[0].cells];
    heads.forEach((head, column) => {
      const numeric = head.classList.contains("number");
      const button = make("button", "", head.textContent);
      button.type = "button";
      head.replaceChildren(button);
      button.addEventListener("click", () => {
        const next = { none: "ascending", ascending: "descending", descending: "none" };
        const way = next[head.getAttribute("aria-sort") ?? "none"];
        heads.forEach((each) => each.removeAttribute("aria-sort"));
        if (way !== "none") head.setAttribute("aria-sort", way);
        const keyed = made.map((row) => [key(row, column, numeric), row]);
        if (way !== "none") {
          keyed.sort(([a], [b]) => {
            const lacks = [a, b].some((each) => Number.isNaN(each) || each === "not recorded");
            return way === "ascending" || lacks ? between(a, b) : between(b, a);
          });
        }
        body.append(...keyed.map(([, row]) => row));
      });
    });
  });
}
