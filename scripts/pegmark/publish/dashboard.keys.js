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
    beginFlow("mark", criterion.dataset.criterion);
  } else if (target.closest("[data-start]")) {
    STARTS[target.closest("[data-start]").dataset.start]();
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
  if (event.key === "s" && (event.ctrlKey || event.metaKey)) {
    event.preventDefault();
    if (drafts.size) saveMarks();
    return;
  }
  if (desk.open) return; // its keys are its own
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
  if (!byId("use-keys").checked || event.ctrlKey || event.metaKey || event.altKey) return;
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
byId("save-matches").addEventListener("click", saveMatches);
byId("use-keys").addEventListener("change", (event) => {
  try {
    localStorage.setItem("pegmark keys", event.target.checked ? "on" : "off");
  } catch {
    storeWorks = false;
  }
});
