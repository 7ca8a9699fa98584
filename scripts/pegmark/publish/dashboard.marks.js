// The page's scripts are joined to one module, in the order that dashboard.py names them.
// The page's data stand in #class-data; everything else is already in the document.

const byId = (id) => document.getElementById(id);
const data = JSON.parse(byId("class-data").textContent);
// Of this page alone: two classes may have one name, and students of one id.
const STORE = `pegmark marks: ${data.key} ${location.pathname}\n`;
const LEAD_S = 1; // a recording starts this much before the moment to be heard

// Marks: what is in the class folder, and over it what was entered here.

const cellKey = (student, criterion) => student + "\n" + criterion;
// A mark belongs to the take it was given for; one without a take counts for whichever counts now.
const takeOf = new Map(data.students.map((s) => [s.id, s.take]));
const TAKE_DIGITS = 16; // of a content's hash, as marks files name takes
const digits = (take) => (take || "").slice(0, TAKE_DIGITS);
// What the grading found to be given for another take, also where the mark names none.
const elsewhere = new Map(
  data.students.flatMap((s) => Object.entries(s.given_for).map(([c, m]) => [cellKey(s.id, c), m])),
);
const isForThisTake = (m) =>
  !elsewhere.has(cellKey(m.student_id, m.criterion)) &&
  (!m.take || digits(m.take) === digits(takeOf.get(m.student_id)));
const byCell = (marks) => new Map(marks.map((m) => [cellKey(m.student_id, m.criterion), m]));
const inFolder = byCell(data.marks.filter(isForThisTake));
const forOtherTake = new Map([...byCell(data.marks.filter((m) => !isForThisTake(m))), ...elsewhere]);
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
  if (event.key?.startsWith(MATCHES)) takeOwner(event.key.slice(MATCHES.length), event.newValue);
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
      take: takeOf.get(student) ?? null,
      saved_at: new Date().toISOString(),
      saved: false,
    });
  }
  showDraft(key);
}

// What undo gives back: the draft that was there before, or none.
function putBack(key, draft) {
  const saved = drafts.get(key)?.saved;
  if (draft) drafts.set(key, draft);
  else drafts.delete(key);
  if (saved && !draft) setMark(...key.split("\n"), inFolder.get(key) || { points: null, comment: "" });
  showDraft(key);
}

function showDraft(key) {
  keepDraft(key);
  showSums(key.split("\n")[0]);
  showSaveState();
}

// [points or null, still open] as the next run will have them
function standing(student, criterion) {
  const given = markOf(student, criterion).points;
  if (given !== null && given !== undefined) return [given, 0];
  return unmarked.get(student)[criterion] ?? [null, ofCriterion.get(criterion)];
}

// The text of a field as points (2.5, 2,5, 2½, 1/2, 2 1/2): null when empty, NaN when it cannot be
// given.
function readPoints(text, of) {
  const plain = text.trim().replace(",", ".").replace("½", " 1/2").trim();
  if (plain === "") return null;
  const parts = /^(?:(\d+)\s+)?(\d+)\s*\/\s*(\d+)$/.exec(plain);
  let value = /^\d*\.?\d+$|^\d+\.$/.test(plain) ? Number(plain) : NaN;
  if (parts) value = Number(parts[1] ?? 0) + Number(parts[2]) / Number(parts[3]);
  return value >= 0 && value <= of ? Math.round(value * 100) / 100 : NaN;
}

function cell(value) {
  const text = String(value ?? "");
  return /[",\r\n]/.test(text) ? '"' + text.replaceAll('"', '""') + '"' : text;
}

function marksFile() {
  const all = new Map(inFolder);
  for (const [key, mark] of byCell(data.marks)) if (!all.has(key)) all.set(key, mark);
  for (const [key, draft] of drafts) all.set(key, draft);
  const students = new Map(data.students.map((s, place) => [s.id, place]));
  const criteria = new Map(data.rubric.map((c, place) => [c.id, place]));
  const place = (m) => [students.get(m.student_id) ?? 1e9, criteria.get(m.criterion) ?? 1e9];
  const rows = [...all.values()].sort((a, b) => {
    const [x, y] = [place(a), place(b)];
    return x[0] - y[0] || x[1] - y[1];
  });
  const line = (m) =>
    [m.student_id, m.criterion, m.points, m.comment, m.saved_at, m.take].map(cell).join(",");
  return ["student_id,criterion,points,comment,saved_at,take", ...rows.map(line), ""].join("\r\n");
}

// Hands the text to the browser as a download whose name says when; gives back the name.
function download(what, text) {
  const now = new Date();
  const two = (n) => String(n).padStart(2, "0");
  const day = [now.getFullYear(), two(now.getMonth() + 1), two(now.getDate())].join("");
  const time = [two(now.getHours()), two(now.getMinutes()), two(now.getSeconds())].join("");
  const name = `${what}-${day}-${time}.csv`;
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type: "text/csv" }));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  return name;
}

function saveMarks() {
  const name = download("marks", marksFile());
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
  }
  const files = [...owners.values()].filter((owner) => !owner.saved).length;
  if (files) {
    const matched = files === 1 ? "1 new match to save." : `${files} new matches to save.`;
    text = fresh ? `${text} ${matched}` : matched;
  }
  if ((fresh || files) && !storeWorks) {
    text += " This browser does not keep them: save before you close the page.";
  }
  byId("save-state").textContent = text;
  byId("save").disabled = drafts.size === 0;
  byId("save-matches").hidden = owners.size === 0;
  showSteps();
}
