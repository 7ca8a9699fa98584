// Whose file is this: each answer becomes a line of a matches file, which the next run reads.

const MATCHES = STORE.replace("marks", "matches");
const NO_STUDENT = "-"; // as matches.csv says that a file is no student's
const MOST_GUESSES = 9; // those who may be meant, one digit each
const owners = readOwners(); // file -> {student_id, saved}, of the files that are still asked for

const unmatched = () => data.files.filter((f) => !owners.has(f.file)).map((file) => ({ file }));

function readOwners() {
  const found = new Map();
  const asked = new Set(data.files.map((file) => file.file));
  try {
    for (const name of Object.keys(localStorage).filter((n) => n.startsWith(MATCHES))) {
      const file = name.slice(MATCHES.length);
      if (asked.has(file)) found.set(file, JSON.parse(localStorage.getItem(name)));
      else localStorage.removeItem(name);
    }
  } catch {
    storeWorks = false;
  }
  return found;
}

function putOwner(file, student) {
  if (student === null) owners.delete(file);
  else owners.set(file, { student_id: student, saved: false });
  keepOwner(file);
  showSaveState();
}

function keepOwner(file) {
  try {
    if (owners.has(file)) localStorage.setItem(MATCHES + file, JSON.stringify(owners.get(file)));
    else localStorage.removeItem(MATCHES + file);
  } catch {
    storeWorks = false;
  }
}

// An answer that was given or saved in another tab of this page.
function takeOwner(file, kept) {
  if (kept) owners.set(file, JSON.parse(kept));
  else owners.delete(file);
  showSaveState();
}

function showFile(file) {
  byId("flow-title").textContent = "Whose file is this?";
  byId("flow-student").textContent = file.shown;
  byId("flow-question").textContent = file.asked[0].toUpperCase() + file.asked.slice(1);
  byId("flow-kept").hidden = byId("flow-days").hidden = true;
  byId("flow-comments").replaceChildren();
  byId("flow-whose").value = "";
  if (!byId("flow-names").children.length) {
    byId("flow-names").append(...data.students.map((s) => new Option(spoken(s.id))));
  }
  const choices = file.guesses
    .slice(0, MOST_GUESSES)
    .map((student, i) => button(spoken(student), String(i + 1), () => giveFile(student)));
  byId("flow-answers").replaceChildren(
    ...choices,
    button("no student's", "0", () => giveFile(NO_STUDENT)),
  );
}

const spoken = (student) => `${nameOf(student)} (${student})`;

function keyOfFile(key, file) {
  if (key === "0") giveFile(NO_STUDENT);
  else if (/^[1-9]$/.test(key) && file.guesses[key - 1]) giveFile(file.guesses[key - 1]);
  else if (/^\p{L}$/u.test(key)) byId("flow-whose").focus(); // the key goes into the field
}

function giveFile(student) {
  const { file } = currentItem();
  const whose = student === NO_STUDENT ? "no student's" : nameOf(student);
  enter([], `${file.shown}: ${whose}`, [], [file.file, owners.get(file.file)?.student_id ?? null]);
  putOwner(file.file, student);
  goOn(1);
}

// A typed name or id: the one student whom it can only mean.
function giveNamed() {
  const typed = byId("flow-whose").value.trim().toLowerCase();
  const all = data.students.map((s) => s.id);
  const exact = all.filter((id) => [id, nameOf(id), spoken(id)].some((one) => one.toLowerCase() === typed));
  const found = exact.length ? exact : all.filter((id) => typed && spoken(id).toLowerCase().includes(typed));
  byId("flow-wrong").hidden = found.length === 1;
  byId("flow-wrong").textContent = found.length
    ? `${found.length} students are called that: type the id.`
    : "No student on the roster has that name or id.";
  if (found.length === 1) giveFile(found[0]);
}

function saveMatches() {
  const rows = [...owners].map(([file, owner]) => [file, owner.student_id].map(cell).join(","));
  const name = download("matches", ["file,student_id", ...rows, ""].join("\r\n"));
  for (const [file, owner] of owners) {
    owner.saved = true;
    keepOwner(file);
  }
  showSaveState(`${name} is in your downloads. Put it into the class folder and run the grading again.`);
}
