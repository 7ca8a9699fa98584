// A mark of a chart says whose it is, under the pointer and under the keys: its own label, beside it.
// One mark of each chart stands in the order of the Tab key; arrows go to its neighbours.

const markNote = document.createElement("p");
markNote.className = "mark-note";
markNote.hidden = true;
markNote.setAttribute("aria-hidden", "true"); // the mark itself has the words
document.body.append(markNote);

const markOfChart = (target) => target.closest?.("[data-chart] [aria-label]");

function showMarkNote(mark) {
  markNote.hidden = !mark;
  if (!mark) return;
  markNote.textContent = mark.getAttribute("aria-label");
  const at = mark.getBoundingClientRect();
  const room = document.documentElement.clientWidth - markNote.offsetWidth;
  const below = at.top < markNote.offsetHeight + 8;
  markNote.style.left = `${Math.max(0, Math.min(room, at.x + at.width / 2 - markNote.offsetWidth / 2))}px`;
  markNote.style.top = `${below ? at.bottom + 4 : at.top - markNote.offsetHeight - 4}px`;
}

document.addEventListener("pointerover", (event) => showMarkNote(markOfChart(event.target)));
document.addEventListener("focusin", (event) => showMarkNote(markOfChart(event.target)));
document.addEventListener("focusout", () => showMarkNote(null));
document.addEventListener("scroll", () => showMarkNote(null), { passive: true, capture: true });

document.addEventListener("keydown", (event) => {
  const mark = markOfChart(event.target);
  if (!mark || event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.key === "Escape") showMarkNote(null);
  if (event.key === "Enter" || event.key === " ") {
    event.preventDefault();
    mark.dispatchEvent(new MouseEvent("click", { bubbles: true }));
  }
  const marks = [...mark.closest("[data-chart]").querySelectorAll("[aria-label]")];
  const at = marks.indexOf(mark);
  const steps = { ArrowRight: at + 1, ArrowLeft: at - 1, Home: 0, End: marks.length - 1 };
  const next = marks[steps[event.key]];
  if (!next) return;
  event.preventDefault();
  mark.setAttribute("tabindex", "-1");
  next.setAttribute("tabindex", "0");
  next.focus();
});
