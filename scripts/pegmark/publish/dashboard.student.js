// The opened student: one at a time

let current = null;

function openStudent(student, { focus = "head" } = {}) {
  const row = rowOf.get(student);
  if (!row) return;
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
    const wider = picture.scrollWidth > picture.clientWidth;
    picture.toggleAttribute("tabindex", wider);
    if (!wider) continue;
    picture.tabIndex = 0;
    picture.scrollLeft = picture.scrollWidth; // where the string was left is in sight
  }
}

addEventListener("resize", () => {
  const opened = document.querySelector(".opened");
  if (opened) letScroll(opened);
});

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
