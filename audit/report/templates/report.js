"use strict";
// Unpacks the findings, filters, sorts and pages them. Text from records only ever becomes text nodes.
(async () => {
  const holder = document.getElementById("data");
  if (typeof DecompressionStream === "undefined") return; // the rows that stand in the page remain
  const bytes = Uint8Array.from(atob(holder.textContent), (letter) => letter.charCodeAt(0));
  holder.remove();
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  const data = JSON.parse(await new Response(stream).text());

  const PAGE = 100;
  const LEVELS = {1: "Level 1", 2: "Level 2", observation: "Observation"};
  const byId = (id) => document.getElementById(id);
  const count = data.matter.length;
  const columns = data.findings;
  const cell = (name, finding) => columns[name][0][columns[name][1][finding]];
  const title = (finding) => data.rules[cell("rule", finding)].title;
  const aircraft = (finding) => cell("aircraft", finding) || "aircraft unknown";
  const grouped = (number) => number.toLocaleString("en-GB");
  const counted = (number, one, many) => `${grouped(number)}\u00a0${number === 1 ? one : many}`;
  const moment = (written) => written ? written.replace("T", " ").replace("Z", "").replace(/:00$/, "") + " UTC" : "time unknown";
  const compare = new Intl.Collator("en", {numeric: true}).compare;

  function element(name, attributes, ...children) {
    const made = document.createElement(name);
    for (const [key, value] of Object.entries(attributes || {})) made.setAttribute(key, value);
    made.append(...children.filter((child) => child !== null && child !== ""));
    return made;
  }

  // Searching looks at everything that names a finding, lower-cased once.
  const SEARCHED = ["finding_id", "rule", "aircraft", "position", "component_serial", "work_order", "task_id",
    "flight_id", "station", "person", "message", "state"];
  let haystack = null;
  function searchable() {
    if (haystack) return haystack;
    const lowered = SEARCHED.map((name) => columns[name][0].map((text) => text.toLowerCase()));
    const codes = SEARCHED.map((name) => columns[name][1]);
    const titles = columns.rule[0].map((rule) => data.rules[rule].title.toLowerCase());
    haystack = Array.from({length: count}, (_, finding) =>
      lowered.map((texts, place) => texts[codes[place][finding]]).join("\n") + "\n" + titles[columns.rule[1][finding]]);
    return haystack;
  }

  // Matters, each with its findings in the order of the audit.
  const members = [];
  data.matter.forEach((matter, finding) => (members[matter] ||= []).push(finding));

  const form = byId("filter");
  const CHOICES = ["rule", "station", "aircraft", "person", "state"];
  for (const name of CHOICES) {
    const select = form.elements[name];
    const shown = name === "rule" ? (text) => data.rules[text].title : (text) => text || "none recorded";
    const options = columns[name][0].map((text, code) => [shown(text), code]).sort((a, b) => compare(a[0], b[0]));
    for (const [text, code] of options) select.append(element("option", {value: code}, text));
    select.closest(".field").hidden = name === "state" && options.length < 2;
  }

  function matching() {
    const words = form.elements.text.value.toLowerCase().split(/\s+/).filter(Boolean);
    const texts = words.length ? searchable() : null;
    const levels = new Set([...form.querySelectorAll("[name=level]:checked")].map((box) => box.value));
    const levelWanted = columns.level[0].map((level) => levels.has(level));
    const chosen = CHOICES.filter((name) => form.elements[name].value !== "")
      .map((name) => [columns[name][1], Number(form.elements[name].value)]);
    const from = form.elements.from.value, to = form.elements.to.value;
    const dayWanted = columns.at[0].map((at) =>
      (!from || (at && at.slice(0, 10) >= from)) && (!to || (at && at.slice(0, 10) <= to)));
    const found = [];
    for (let finding = 0; finding < count; finding++) {
      if (!levelWanted[columns.level[1][finding]] || !dayWanted[columns.at[1][finding]]) continue;
      if (chosen.some(([codes, code]) => codes[finding] !== code)) continue;
      if (texts && !words.every((word) => texts[finding].includes(word))) continue;
      found.push(finding);
    }
    return found;
  }

  const SORTS = {
    level: null, // the order of the audit itself
    newest: (a, b) => compare(cell("at", b[0]), cell("at", a[0])),
    oldest: (a, b) => compare(cell("at", a[0]), cell("at", b[0])),
    aircraft: (a, b) => compare(cell("aircraft", a[0]), cell("aircraft", b[0])),
    station: (a, b) => compare(cell("station", a[0]), cell("station", b[0])),
    rule: (a, b) => compare(title(a[0]), title(b[0])),
    size: (a, b) => b.length - a.length,
    off: (a, b) => furthest(b) - furthest(a),
  };
  const furthest = (findings) => findings.reduce((most, finding) => Math.max(most, data.off[finding]), 0);

  let shown = []; // the findings of each matter that pass the filter
  let page = 0;

  function refresh() {
    const found = matching();
    const matters = new Map();
    for (const finding of found) {
      const matter = data.matter[finding];
      if (matters.has(matter)) matters.get(matter).push(finding); else matters.set(matter, [finding]);
    }
    shown = [...matters.values()];
    const order = SORTS[form.elements.sort.value];
    if (order) shown.sort(order);
    page = 0;
    byId("shown").textContent = found.length
      ? `${found.length === data.total ? "All" : `${grouped(found.length)} of`} ${counted(data.total, "finding", "findings")}, in ${counted(shown.length, "matter", "matters")}.`
      : `None of the ${counted(data.total, "finding", "findings")} fits. Reset the filter to see all.`;
    draw();
  }

  function draw() {
    const pages = Math.max(Math.ceil(shown.length / PAGE), 1);
    byId("matters").start = page * PAGE + 1;
    byId("matters").replaceChildren(...shown.slice(page * PAGE, (page + 1) * PAGE).map(matterItem));
    byId("pages").hidden = pages === 1;
    byId("page").textContent = `Page ${grouped(page + 1)} of ${grouped(pages)}`;
    byId("back").disabled = page === 0;
    byId("on").disabled = page === pages - 1;
  }

  function different(findings, name) {
    const texts = [...new Set(findings.map((finding) => cell(name, finding)))].filter(Boolean);
    return texts.length > 3 ? `${texts.slice(0, 3).join("; ")} and ${grouped(texts.length - 3)} more` : texts.join("; ");
  }

  function matterItem(findings) {
    const worst = findings.reduce((a, b) => (data.off[b] > data.off[a] ? b : a));
    const level = cell("level", worst);
    const about = [moment(cell("at", worst)), cell("station", worst), cell("work_order", worst) && `work order ${cell("work_order", worst)}`,
      different(findings, "person")].filter(Boolean).join(" · ");
    const summary = element("summary", null,
      element("span", {class: "mark"}, LEVELS[level]), " ",
      element("span", {class: "title"}, title(worst)), " ",
      element("span", {class: "count"}, counted(findings.length, "finding", "findings")), " ",
      element("span", {class: "where"}, element("b", null, aircraft(worst)), ` ${different(findings, "position")}`), " ",
      element("span", {class: "message"}, cell("message", worst)), " ",
      element("span", {class: "about"}, about));
    const details = element("details", null, summary);
    // Opened and closed at once, it may hear of that only when it is closed again: it listens on.
    details.addEventListener("toggle", () => details.open && fill(details, findings));
    return element("li", {class: `matter level-${level}`}, details);
  }

  function fill(details, findings) {
    if (details.childElementCount > 1) return;
    const rule = cell("rule", findings[0]);
    const about = data.rules[rule];
    const putRight = different(findings, "put_right");
    const warning = different(findings, "warning");
    details.append(element("div", {class: "body"},
      element("dl", {class: "grounds"},
        warning && element("div", {class: "warning"}, element("dt", null, "Warning"), element("dd", null, warning)),
        fact("Corrective action", putRight || about.put_right),
        fact("Why", about.why),
        element("div", null, element("dt", null, "Rule"), element("dd", null, element("a", {href: `#rule-${rule}`}, rule)))),
      picture(findings),
      cases(findings)));
  }

  const fact = (name, value) => element("div", null, element("dt", null, name), element("dd", null, value));

  function picture(findings) {
    for (const finding of findings) {
      const drawn = byId(`picture-${cell("finding_id", finding)}`);
      if (!drawn) continue;
      const copy = drawn.cloneNode(true);
      copy.removeAttribute("id");
      return copy;
    }
    return null;
  }

  const FACTS = [["component_serial", "Boot"], ["work_order", "Work order"], ["task_id", "Task record"], ["flight_id", "Flight"],
    ["station", "Station"], ["person", "Person"]];

  function cases(findings) {
    const list = element("ol", {class: "cases"});
    const more = element("button", {type: "button"}, "");
    const add = () => {
      const from = list.childElementCount;
      list.append(...findings.slice(from, from + PAGE).map(oneCase));
      const left = findings.length - list.childElementCount;
      more.textContent = `Show more: ${counted(left, "finding", "findings")} left`;
      more.hidden = !left;
    };
    more.addEventListener("click", add);
    add();
    const wrapped = element("div", null, list, more);
    wrapped.reveal = (finding) => {
      while (list.childElementCount <= findings.indexOf(finding)) add();
    };
    return wrapped;
  }

  function oneCase(finding) {
    const id = cell("finding_id", finding);
    const facts = FACTS.filter(([name]) => cell(name, finding)).map(([name, label]) => fact(label, cell(name, finding)));
    for (const [name, label] of [["measured", "Measured"], ["limit", "Limit"]]) {
      if (cell(name, finding)) facts.push(fact(label, `${cell(name, finding)}\u00a0${cell("unit", finding)}`));
    }
    if (cell("meanwhile", finding)) facts.push(fact("Since then", cell("meanwhile", finding)));
    facts.push(fact("State", cell("state", finding)));
    facts.push(element("div", null, element("dt", null, "Link"), element("dd", null, element("a", {href: `#finding-${id}`}, id))));
    return element("li", {id: `finding-${id}`, tabindex: "-1"},
      element("p", {class: "when"}, element("time", {datetime: cell("at", finding)}, moment(cell("at", finding))), " ",
        element("b", null, aircraft(finding)), ` ${cell("position", finding)}`),
      element("div", {class: "what"},
        element("p", {class: "message"}, cell("message", finding)),
        element("dl", {class: "facts"}, ...facts)));
  }

  // A link to a finding opens its matter, whatever page it is on and whatever the filter hides.
  function follow() {
    const rule = document.getElementById(location.hash.slice(1))?.closest("details.rule");
    if (rule) rule.open = true;
    const id = decodeURIComponent(location.hash).replace(/^#finding-/, "");
    const value = columns.finding_id[0].indexOf(id);
    if (!location.hash.startsWith("#finding-") || value < 0) return;
    const finding = columns.finding_id[1].indexOf(value);
    let place = shown.findIndex((findings) => findings.includes(finding));
    if (place < 0) {
      form.reset();
      refresh();
      place = shown.findIndex((findings) => findings.includes(finding));
    }
    if (Math.floor(place / PAGE) !== page || !byId("matters").childElementCount) {
      page = Math.floor(place / PAGE);
      draw();
    }
    const details = byId("matters").children[place - page * PAGE].querySelector("details");
    details.open = true;
    fill(details, shown[place]);
    details.querySelector(".body").lastElementChild.reveal(finding);
    document.querySelectorAll(".sought").forEach((old) => old.classList.remove("sought"));
    const item = byId(`finding-${id}`);
    item.classList.add("sought");
    item.focus({preventScroll: true});
    item.scrollIntoView({block: "center"});
  }

  // A figure elsewhere on the page leads to the findings behind it.
  document.addEventListener("click", (event) => {
    const link = event.target.closest("a[data-filter]");
    if (!link) return;
    form.reset();
    const [name, wanted] = [link.dataset.filter, link.dataset.value];
    if (name === "level") {
      form.querySelectorAll("[name=level]").forEach((box) => { box.checked = box.value === wanted; });
    } else {
      form.elements[name].value = columns[name][0].indexOf(wanted);
    }
    refresh();
  });

  form.addEventListener("submit", (event) => event.preventDefault());
  byId("clear").addEventListener("click", () => {
    form.reset();
    refresh();
  });
  form.addEventListener("change", (event) => event.target.name !== "text" && refresh());
  form.elements.text.addEventListener("input", refresh);
  const turn = (by) => {
    page += by;
    draw();
    byId("shown").scrollIntoView();
    byId("matters").querySelector("summary").focus({preventScroll: true});
  };
  byId("back").addEventListener("click", () => turn(-1));
  byId("on").addEventListener("click", () => turn(1));

  // On paper every finding stands as a row, and what is folded is open.
  const register = byId("register");
  const standing = [...register.childNodes];
  const ROWS = 500;
  const COMPLETE = "complete";
  function beforePrint() {
    document.querySelectorAll("details.prints").forEach((details) => {
      details.dataset.was = details.open ? "open" : "";
      details.open = true;
    });
    if (register.dataset.holds === COMPLETE) return;
    const rules = new Map();
    for (let finding = 0; finding < count; finding++) {
      const rule = columns.rule[1][finding];
      if (rules.has(rule)) rules.get(rule).push(finding); else rules.set(rule, [finding]);
    }
    register.replaceChildren(...[...rules.values()].flatMap((findings) =>
      chunks(findings, ROWS).map((rows, part) => ruleTable(rows, part * ROWS, findings.length))));
  }
  function afterPrint() {
    document.querySelectorAll("details.prints").forEach((details) => { details.open = details.dataset.was === "open"; });
    if (register.dataset.holds !== COMPLETE) register.replaceChildren(...standing);
  }
  const chunks = (items, size) => Array.from({length: Math.ceil(items.length / size)}, (_, n) => items.slice(n * size, (n + 1) * size));
  function ruleTable(findings, before, total) {
    const these = total > ROWS ? `, ${grouped(before + 1)} to ${grouped(before + findings.length)}` : "";
    const table = byId("register-table").content.firstElementChild.cloneNode(true);
    table.querySelector(".of").textContent = `${LEVELS[cell("level", findings[0])]}: ${title(findings[0])} (${counted(total, "finding", "findings")}${these})`;
    const body = table.tBodies[0];
    for (const finding of findings) {
      const line = (...names) => names.map((name) => cell(name, finding)).filter(Boolean).join(" · ");
      const row = body.insertRow();
      row.insertCell().textContent = cell("finding_id", finding);
      row.insertCell().textContent = [aircraft(finding), line("position", "component_serial")].filter(Boolean).join(" · ");
      row.insertCell().textContent = moment(cell("at", finding));
      row.insertCell().textContent = cell("message", finding);
      row.insertCell().textContent = line("work_order", "task_id", "flight_id", "station", "person");
    }
    return table;
  }
  addEventListener("beforeprint", beforePrint);
  addEventListener("afterprint", afterPrint);

  // On a narrow screen each cell says under which head it stands.
  for (const table of document.querySelectorAll(".wide table")) {
    if (!table.tHead) continue;
    const heads = [...table.tHead.rows[table.tHead.rows.length - 1].cells].map((head) => head.textContent.trim());
    for (const row of table.querySelectorAll("tbody > tr, tfoot > tr"))
      // A row under a head that spans several lacks its first cells.
      if (!row.querySelector("[colspan]"))
        [...row.cells].forEach((one, place) => { one.dataset.label = heads[heads.length - row.cells.length + place]; });
    table.classList.add("stacks");
  }

  // Made ready for searching while nobody types yet.
  (window.requestIdleCallback || setTimeout)(searchable);
  document.documentElement.classList.add("scripted");
  byId("browse").hidden = count === 0;
  register.querySelectorAll("[id]").forEach((row) => row.removeAttribute("id")); // links lead to the list now
  refresh();
  follow();
  addEventListener("hashchange", follow);
  document.documentElement.dataset.ready = Math.round(performance.now());
})();
