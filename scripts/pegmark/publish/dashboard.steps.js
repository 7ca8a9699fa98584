// The four steps at the top: their numbers follow the marks, what is done folds away.

const SECONDS = 20; // as todo.py counts a question for the ear
const words = (count, what) => `${count} ${what}${count === 1 ? "" : "s"}`;

function showSteps() {
  const files = unmatched().length + data.others;
  showStep("whose", files, words(files, "file"));
  document.querySelector('[data-start="whose"]').hidden = unmatched().length === 0;
  const toHear = itemsToHear();
  const hearers = new Set(toHear.map((item) => item.student)).size;
  const questions = new Set(toHear.map(answerKey)).size;
  showStep("listen", hearers, `${words(hearers, "student")}, about ${words(Math.ceil((questions * SECONDS) / 60), "minute")}`);
  const toMark = data.students.filter((s) => s.marking.criteria.some((one) => isOpen(s.id, one))).length;
  showStep("mark", toMark, words(toMark, "student"));
  const open = [...document.querySelectorAll(".step:not(.done)")].length;
  byId("all-done").hidden = open > 0;
}

function showStep(code, count, text) {
  const step = document.querySelector(`[data-step="${code}"]`);
  const before = step.dataset.count ?? "";
  if (before === String(count)) return;
  if (before === "" && step.classList.contains("done")) return;
  step.dataset.count = count;
  step.classList.toggle("done", count === 0);
  step.querySelector(".step-words").textContent = count ? text : `done; save the ${code === "whose" ? "matches" : "marks"} file`;
  if (code !== "whose") step.querySelector(".step-start").hidden = count === 0;
}

const STARTS = {
  whose: () => beginFlow("whose"),
  listen: () => beginFlow("hear"),
  mark: () => beginFlow("mark"),
  ask: () => unfold("ask"),
};

function unfold(code) {
  const behind = byId(`behind-${code}`);
  behind.hidden = !behind.hidden;
  const starter = document.querySelector(`[aria-controls="${behind.id}"]`);
  starter.setAttribute("aria-expanded", String(!behind.hidden));
}

if (byId("copy-addresses")) {
  byId("copy-addresses").addEventListener("click", async () => {
    byId("addresses").select();
    try {
      await navigator.clipboard.writeText(byId("addresses").value);
    } catch {
      document.execCommand("copy");
    }
    byId("copy-addresses").textContent = "Copied";
  });
}
