// The table

const rows = [...document.querySelectorAll("#students tbody tr")];
const rowOf = new Map(rows.map((row) => [row.dataset.student, row]));
let table = null;

async function makeTable() {
  const source = byId("table-library").textContent;
  const url = URL.createObjectURL(new Blob([source], { type: "text/javascript" }));
  const { default: DataTable } = await import(url);
  URL.revokeObjectURL(url);
  table = new DataTable("#students", {
    paging: false,
    info: false,
    autoWidth: false,
    order: [],
    layout: { topStart: null, topEnd: null, bottomStart: null, bottomEnd: null },
  });
  const section = byId("by-section");
  const state = byId("by-state");
  table.search.fixed("choices", (text, values, index) => {
    const row = table.row(index).node().dataset;
    if (section.value && row.section !== section.value) return false;
    if (state.value === "needs-me") return row.needs === "yes";
    if (state.value === "late") return row.late === "yes";
    if (onlyCriterion()) return row.open.split(" ").includes(onlyCriterion());
    return !state.value || row.state === state.value;
  });
  section.addEventListener("change", () => {
    table.draw();
    bringOutSection(section.value);
  });
  state.addEventListener("change", () => table.draw());
  byId("find").addEventListener("input", (event) => table.search(event.target.value).draw());
  table.on("draw", showCount);
  fillSortChoices();
  showCount();
}

// The one criterion that is being marked through the class, if the table is filtered by it.
function onlyCriterion() {
  const [what, criterion] = byId("by-state").value.split(/:(.*)/s);
  return what === "open" ? criterion : "";
}

function fillSortChoices() {
  const select = byId("sort-by");
  const heads = [...document.querySelectorAll("#students thead th")];
  select.add(new Option("roster", ""));
  heads.forEach((head, column) => {
    const name = head.textContent.trim();
    const option = (words, way) => {
      const made = new Option(words, `${column}:${way}`);
      made.className = head.classList.contains("private") ? "teacher" : "";
      select.add(made);
    };
    if (head.classList.contains("number")) {
      option(`${name}, most first`, "desc");
      option(`${name}, least first`, "asc");
    } else {
      option(name, "asc");
    }
  });
  select.addEventListener("change", () => {
    const [column, way] = select.value.split(":");
    table.order(way ? [[Number(column), way]] : []).draw();
  });
  table.on("order", () => {
    const [first] = table.order();
    select.value = first && first[1] ? `${first[0]}:${first[1]}` : "";
  });
}

function showCount() {
  const shown = table.rows({ search: "applied" }).count();
  byId("shown").textContent = shown === rows.length ? "" : `${shown} of ${rows.length} shown`;
}

function shownStudents() {
  return table.rows({ search: "applied", order: "applied" }).nodes().toArray();
}

function bringOutSection(section) {
  for (const mark of document.querySelectorAll(".left-mark")) {
    mark.classList.toggle("faded", section !== "" && mark.dataset.section !== section);
  }
}

function showSums(student) {
  if (!marked.has(student)) return;
  const row = rowOf.get(student);
  const cell = row.querySelector(".points-cell");
  const stands = data.rubric.map((c) => standing(student, c.id));
  const known = stands.map(([points]) => points).filter((p) => p !== null);
  const waiting = data.rubric.filter((c) => standing(student, c.id)[1] > 0).map((c) => c.id);
  const open = waiting.length;
  const sum = known.reduce((a, b) => a + b, 0);
  const all = data.rubric.reduce((a, c) => a + c.of, 0);
  const text = known.length ? `${nice(sum)} of ${nice(all)}${open ? " so far" : ""}` : "";
  const fresh = data.rubric.some((c) => drafts.has(cellKey(student, c.id)));
  cell.querySelectorAll(".total, .of").forEach((part) => part.remove());
  cell.textContent = text;
  cell.dataset.order = known.length ? sum : -1;
  row.querySelector(".open-cell").textContent = open || "";
  row.querySelector(".open-cell").dataset.order = open;
  row.classList.toggle("has-new", fresh);
  row.dataset.open = waiting.join(" ");
  row.dataset.needs =
    open || row.dataset.status === "unreadable" ? "yes" : "";
  showState(row, open);
  if (table) table.row(row).invalidate("dom");
  const opened = document.querySelector(".opened");
  if (opened && opened.dataset.student === student && opened.querySelector(".sum")) {
    opened.querySelector(".sum").textContent = text + (fresh ? ", with your new marks" : "");
  }
}

// Graded only when nothing is open; the words are those of the whole page.
function showState(row, open) {
  const settled = row.dataset.status === "needs_listening" && !open ? "graded" : row.dataset.status;
  const state = ["graded", "waiting"].includes(settled) ? (open ? "waiting" : "graded") : settled;
  row.dataset.state = data.states[state];
  const shown = row.querySelector(".state");
  shown.textContent = data.states[state];
  shown.className = `state state-${state}`;
}

const nice = (n) => String(Math.round(n * 100) / 100).replace(/\.5$/, "½").replace(/^0½/, "½");
