// The class page at work: the table, the opened student, the teacher's marks, the keys.
// The page's data stand in #class-data; everything else is already in the document.

const byId = (id) => document.getElementById(id);
const data = JSON.parse(byId("class-data").textContent);
// Of this page alone: two classes may have one name, and students of one id.
const STORE = `pegmark marks: ${data.key} ${location.pathname}\n`;
const LEAD_S = 1; // a recording starts this much before the moment to be heard

// Marks: what is in the class folder, and over it what was entered here.

const cellKey = (student, criterion) => student + "\n" + criterion;
const inFolder = new Map(data.marks.map((m) => [cellKey(m.student_id, m.criterion), m]));
const ofCriterion = new Map(data.rubric.map((c) => [c.id, c.of]));
// [points, still open] of every criterion of a student, without the teacher's marks
const unmarked = new Map(data.students.map((s) => [s.id, s.unmarked]));
const marked = new Set(data.students.filter((s) => s.marked).map((s) => s.id));
let storeWorks = true;
const drafts = readDrafts();

// Every cell is kept by itself, so that two open tabs never write over each other's marks.
function readDrafts() {
  const found = new Map();
  try {
    for (const name of Object.keys(localStorage).filter((n) => n.startsWith(STORE))) {
      const key = name.slice(STORE.length);
      const draft = JSON.parse(localStorage.getItem(name));
      const mark = inFolder.get(key) || { points: null, comment: "" };
      const over = sameMark(mark, draft) || newer(mark.saved_at, draft.saved_at);
      if (over) localStorage.removeItem(name);
      else found.set(key, draft);
    }
  } catch {
    storeWorks = false;
  }
  return found;
}

function sameMark(a, b) {
  return (a.points ?? null) === (b.points ?? null) && (a.comment || "") === (b.comment || "");
}

function newer(a, b) {
  return Boolean(a && b && Date.parse(a) >= Date.parse(b));
}

function keepDraft(key) {
  try {
    if (drafts.has(key)) localStorage.setItem(STORE + key, JSON.stringify(drafts.get(key)));
    else localStorage.removeItem(STORE + key);
  } catch {
    storeWorks = false;
  }
}

// A mark that was entered or saved in another tab of this page.
function takeFromOtherTab(event) {
  if (!event.key || !event.key.startsWith(STORE)) return;
  const key = event.key.slice(STORE.length);
  if (event.newValue) drafts.set(key, JSON.parse(event.newValue));
  else drafts.delete(key);
  const [student, criterion] = key.split("\n");
  if (!rowOf.has(student)) return;
  showSums(student);
  showSaveState();
  const field = document.querySelector(
    `.opened[data-student="${CSS.escape(student)}"] [data-criterion="${CSS.escape(criterion)}"]`,
  );
  if (field) showMark(student, field);
}

function markOf(student, criterion) {
  const key = cellKey(student, criterion);
  return drafts.get(key) || inFolder.get(key) || { points: null, comment: "" };
}

function setMark(student, criterion, change) {
  const key = cellKey(student, criterion);
  const now = { ...markOf(student, criterion), ...change };
  const before = inFolder.get(key) || { points: null, comment: "" };
  const known = drafts.get(key);
  if (known && sameMark(known, now)) return;
  if (!(known && known.saved) && sameMark(before, now)) {
    drafts.delete(key);
  } else {
    drafts.set(key, {
      student_id: student,
      criterion,
      points: now.points ?? null,
      comment: now.comment || "",
      saved_at: new Date().toISOString(),
      saved: false,
    });
  }
  keepDraft(key);
  showSums(student);
  showSaveState();
}

// [points or null, still open] as the next run will have them
function standing(student, criterion) {
  const given = markOf(student, criterion).points;
  if (given !== null && given !== undefined) return [given, 0];
  return unmarked.get(student)[criterion] ?? [null, ofCriterion.get(criterion)];
}

// The text of a field as points: null when empty, NaN when it cannot be given.
function readPoints(text, of) {
  const plain = text.trim().replace(",", ".");
  if (plain === "") return null;
  const value = /^\d*\.?\d+$|^\d+\.$/.test(plain) ? Number(plain) : NaN;
  return value >= 0 && value <= of ? value : NaN;
}

function marksFile() {
  const all = new Map(inFolder);
  for (const [key, draft] of drafts) all.set(key, draft);
  const students = new Map(data.students.map((s, place) => [s.id, place]));
  const criteria = new Map(data.rubric.map((c, place) => [c.id, place]));
  const place = (m) => [students.get(m.student_id) ?? 1e9, criteria.get(m.criterion) ?? 1e9];
  const rows = [...all.values()].sort((a, b) => {
    const [x, y] = [place(a), place(b)];
    return x[0] - y[0] || x[1] - y[1];
  });
  const cell = (value) => {
    const text = String(value ?? "");
    return /[",\r\n]/.test(text) ? '"' + text.replaceAll('"', '""') + '"' : text;
  };
  const line = (m) =>
    [m.student_id, m.criterion, m.points, m.comment, m.saved_at].map(cell).join(",");
  return ["student_id,criterion,points,comment,saved_at", ...rows.map(line), ""].join("\r\n");
}

function saveMarks() {
  const now = new Date();
  const two = (n) => String(n).padStart(2, "0");
  const day = [now.getFullYear(), two(now.getMonth() + 1), two(now.getDate())].join("");
  const time = [two(now.getHours()), two(now.getMinutes()), two(now.getSeconds())].join("");
  const name = `marks-${day}-${time}.csv`;
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([marksFile()], { type: "text/csv" }));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  for (const [key, draft] of drafts) {
    draft.saved = true;
    keepDraft(key);
  }
  showSaveState(
    `${name} is in your downloads. Put it into the class folder and run the grading again.`,
  );
}

function showSaveState(message) {
  const fresh = [...drafts.values()].filter((d) => !d.saved).length;
  const waiting = drafts.size - fresh;
  let text = message || "No new marks.";
  if (!message && waiting) {
    text = `${waiting} saved to a file, not yet in this page: put the file into the class folder.`;
  }
  if (fresh) {
    text = fresh === 1 ? "1 new mark to save." : `${fresh} new marks to save.`;
    if (!storeWorks) text += " This browser does not keep them: save before you close the page.";
  }
  byId("save-state").textContent = text;
  byId("save").disabled = drafts.size === 0;
}

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
    open || ["listen", "unreadable"].includes(row.dataset.state) ? "yes" : "";
  if (table) table.row(row).invalidate("dom");
  const opened = document.querySelector(".opened");
  if (opened && opened.dataset.student === student && opened.querySelector(".sum")) {
    opened.querySelector(".sum").textContent = text + (fresh ? ", with your new marks" : "");
  }
}

const nice = (n) => String(Math.round(n * 100) / 100).replace(/\.5$/, "½").replace(/^0½/, "½");

// The opened student: one at a time

let current = null;

function openStudent(student, { focus = "head" } = {}) {
  const row = rowOf.get(student);
  if (!row || isProjected()) return;
  closeStudent();
  if (!shownStudents().includes(row)) showEverybody();
  const made = document.createElement("template");
  made.innerHTML = byId("opened-" + student).textContent; // escaped where the page was made
  table.row(row).child(made.content.firstElementChild, "opened-row").show();
  current = student;
  row.classList.add("is-open");
  row.querySelector(".open-student").setAttribute("aria-expanded", "true");
  const opened = document.querySelector(".opened");
  fillMarks(opened, student);
  letScroll(opened);
  showSums(student);
  row.scrollIntoView({ block: "start", behavior: "instant" });
  if (focus === "points" && firstToGive()) firstToGive().focus({ preventScroll: true });
  else if (focus) opened.querySelector("h3").focus({ preventScroll: true });
}

function closeStudent() {
  if (current === null) return;
  const row = rowOf.get(current);
  row.classList.remove("is-open");
  row.querySelector(".open-student").setAttribute("aria-expanded", "false");
  table.row(row).child.remove();
  current = null;
}

function showEverybody() {
  byId("find").value = "";
  byId("by-section").value = "";
  byId("by-state").value = "";
  bringOutSection("");
  table.search("").draw();
}

// On a narrow screen a picture is wider than its place: then the keys can scroll it.
function letScroll(opened) {
  for (const picture of opened.querySelectorAll(".path-picture")) {
    if (picture.scrollWidth > picture.clientWidth) picture.tabIndex = 0;
  }
}

function showMark(student, field) {
  const mark = markOf(student, field.dataset.criterion);
  const comment = field.querySelector(".comment");
  field.querySelector(".points").value = mark.points ?? "";
  comment.value = mark.comment || "";
  grow(comment);
  showChoice(field);
}

function fillMarks(opened, student) {
  for (const field of opened.querySelectorAll("fieldset")) {
    const criterion = field.dataset.criterion;
    const input = field.querySelector(".points");
    const comment = field.querySelector(".comment");
    showMark(student, field);
    input.addEventListener("input", () => givePoints(student, field));
    comment.addEventListener("input", () => {
      grow(comment);
      setMark(student, criterion, { comment: comment.value.trim() });
    });
    for (const choice of field.querySelectorAll(".choice")) {
      choice.addEventListener("click", () => {
        const same = input.value.trim() === choice.dataset.points;
        input.value = same ? "" : choice.dataset.points;
        givePoints(student, field);
      });
    }
  }
}

function givePoints(student, field) {
  const input = field.querySelector(".points");
  const wrong = field.querySelector(".wrong");
  const of = ofCriterion.get(field.dataset.criterion) ?? Number(field.dataset.of);
  const value = readPoints(input.value, of);
  const refused = Number.isNaN(value);
  input.toggleAttribute("aria-invalid", refused);
  wrong.hidden = !refused;
  wrong.textContent = refused ? `Only 0 to ${of}, or empty for not yet. Not kept.` : "";
  if (!refused) setMark(student, field.dataset.criterion, { points: value });
  showChoice(field);
}

function showChoice(field) {
  const text = field.querySelector(".points").value.trim();
  for (const choice of field.querySelectorAll(".choice")) {
    choice.setAttribute("aria-pressed", String(choice.dataset.points === text));
  }
}

function grow(comment) {
  comment.style.height = "auto";
  comment.style.height = `${comment.scrollHeight + 2}px`; // with its border
}

function pointFields() {
  return [...document.querySelectorAll(".opened .points")];
}

function firstToGive() {
  const isOpen = (input) => {
    const criterion = input.closest("fieldset").dataset.criterion;
    return standing(current, criterion)[1] > 0;
  };
  const fields = pointFields();
  const only = fields.find((input) => input.closest("fieldset").dataset.criterion === onlyCriterion());
  return only || fields.find(isOpen) || fields[0];
}

// Listening

function players() {
  return [...document.querySelectorAll(".opened audio, .opened video")];
}

const clipOf = (name) => document.querySelector(`.opened [data-clip="${name}"]`);

function playOrStop(player) {
  if (!player) return;
  if (player.paused) {
    player.play().catch(() => {});
  } else {
    player.pause();
    player.currentTime = 0;
  }
}

function showVideo() {
  const box = document.querySelector(".opened .video");
  if (!box) return null;
  let video = box.querySelector("video");
  if (!video) {
    video = document.createElement("video");
    video.controls = true;
    video.preload = "metadata";
    video.src = box.dataset.src;
    video.setAttribute("aria-label", "The student's recording");
    box.replaceChildren(video);
  }
  return video;
}

function seek(seconds) {
  const start = Math.max(0, seconds - LEAD_S);
  const link = document.querySelector(".opened .video-link");
  if (link) link.href = link.getAttribute("href").split("#")[0] + "#t=" + start.toFixed(1);
  const video = showVideo();
  if (!video) return;
  const go = () => {
    video.currentTime = start;
    video.play().catch(() => {});
  };
  if (video.readyState >= 1) go();
  else video.addEventListener("loadedmetadata", go, { once: true });
}

document.addEventListener(
  "play",
  (event) => players().forEach((other) => other !== event.target && other.pause()),
  true,
);
document.addEventListener(
  "error",
  (event) => {
    const player = event.target;
    if (!(player instanceof HTMLMediaElement)) return;
    const note = document.createElement("span");
    note.className = "no-media";
    note.textContent = player.matches("video")
      ? "This browser cannot play the recording; open it from the submissions folder."
      : "No clip beside this page.";
    player.replaceWith(note);
  },
  true,
);

// Mouse and keys

document.addEventListener("click", (event) => {
  const target = event.target;
  const opener = target.closest(".open-student");
  const row = target.closest("#students tbody tr[data-student]");
  const mark = target.closest(".left-mark");
  const time = target.closest(".time");
  const step = target.closest("[data-go]");
  const reason = target.closest(".hear");
  const criterion = target.closest(".by-criterion");
  if (reason) {
    openStudent(reason.dataset.student);
    const clip = reason.dataset.play && clipOf(reason.dataset.play);
    if (clip) playOrStop(clip);
    else if (reason.dataset.at) seek(Number(reason.dataset.at));
  } else if (criterion) {
    closeStudent();
    showEverybody();
    byId("by-state").value = "open:" + criterion.dataset.criterion;
    table.draw();
    go(neighbour(1), "points");
  } else if (target.id === "begin") {
    openStudent(target.dataset.student, { focus: "points" });
  } else if (step) {
    KEYS[step.dataset.go]();
  } else if (time) {
    seek(Number(time.dataset.time));
  } else if (target.closest(".show-video")) {
    showVideo().focus();
  } else if (opener || (row && !target.closest("a, button, input, .opened"))) {
    const student = row.dataset.student;
    if (student === current) closeStudent();
    else openStudent(student);
  } else if (mark) {
    openStudent(mark.dataset.student);
  }
});

function neighbour(step, wanted = () => true) {
  const list = shownStudents();
  const from = list.findIndex((row) => row.dataset.student === current);
  for (let i = from + step; i >= 0 && i < list.length; i += step) {
    if (wanted(list[i])) return list[i].dataset.student;
    if (from === -1 && step < 0) break;
  }
  return null;
}

function go(student, focus = document.activeElement.matches(".points") ? "points" : "head") {
  if (student !== null) openStudent(student, { focus });
}

const KEYS = {
  n: () => go(neighbour(1)),
  p: () => go(neighbour(-1)),
  o: () => go(neighbour(1, (row) => Number(row.querySelector(".open-cell").dataset.order) > 0)),
  s: () => playOrStop(clipOf("speech")),
  v: () => playOrStop(showVideo()),
  m: () => current && firstToGive() && firstToGive().focus(),
};

document.addEventListener("keydown", (event) => {
  const field = event.target.closest("input, textarea, select");
  const inPoints = field && field.matches(".points");
  if (event.key === "Escape") {
    if (field) field.blur();
    else if (current !== null) {
      const button = rowOf.get(current).querySelector(".open-student");
      closeStudent();
      button.focus();
    }
    return;
  }
  if (event.key === "Enter" && inPoints) {
    event.preventDefault();
    const fields = pointFields();
    const next = fields[fields.indexOf(field) + 1];
    const criterion = field.closest("fieldset").dataset.criterion;
    if (next && criterion !== onlyCriterion()) next.focus();
    else go(neighbour(1));
    return;
  }
  if (event.key === "s" && (event.ctrlKey || event.metaKey)) {
    event.preventDefault();
    if (drafts.size) saveMarks();
    return;
  }
  if (!byId("use-keys").checked || event.ctrlKey || event.metaKey || event.altKey) return;
  if (isProjected()) return;
  if (field && !inPoints && field.type !== "checkbox") return;
  const digit = /^[1-5]$/.test(event.key) && !inPoints;
  if (digit) {
    playOrStop(clipOf(event.key));
  } else if (KEYS[event.key]) {
    event.preventDefault();
    KEYS[event.key]();
  }
});

document.addEventListener("submit", (event) => event.preventDefault());
byId("save").addEventListener("click", saveMarks);
byId("use-keys").addEventListener("change", (event) => {
  try {
    localStorage.setItem("pegmark keys", event.target.checked ? "on" : "off");
  } catch {
    storeWorks = false;
  }
});

// Projector view: names, states and points hidden, players in an order that says nothing; nobody
// is opened, and the address names nobody.

function isProjected() {
  return document.body.classList.contains("projected");
}

byId("projector").addEventListener("click", () => {
  const on = !isProjected();
  document.body.classList.toggle("projected", on);
  byId("projector").setAttribute("aria-pressed", String(on));
  if (!table) return;
  closeStudent();
  showEverybody();
  if (on) history.replaceState(null, "", "#");
  for (const row of rows) {
    const cell = row.cells[0];
    cell.dataset.name ??= cell.dataset.order;
    cell.dataset.order = on
      ? cell.dataset.alias.replace(/\d+/, (n) => n.padStart(5, "0"))
      : cell.dataset.name;
    row.querySelector(".open-student").disabled = on;
  }
  table.rows().invalidate("dom");
  table.order(on ? [[0, "asc"]] : []).draw();
});

function openFromAddress() {
  const match = /^#student-(.+)$/.exec(decodeURIComponent(location.hash));
  if (match && rowOf.has(match[1])) openStudent(match[1]);
}

try {
  byId("use-keys").checked = localStorage.getItem("pegmark keys") !== "off";
} catch {
  storeWorks = false;
}
if (byId("students")) await makeTable();
for (const draft of drafts.values()) if (rowOf.has(draft.student_id)) showSums(draft.student_id);
showSaveState();
openFromAddress();
addEventListener("hashchange", openFromAddress);
addEventListener("storage", takeFromOtherTab);
document.addEventListener("click", (event) => {
  const link = event.target.closest('a[href^="#student-"]');
  if (link && link.getAttribute("href") === location.hash) openFromAddress();
});
document.documentElement.dataset.ready = "yes";
