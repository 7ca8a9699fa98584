// Marking as one flow: an item is one criterion of one student, or one question for the ear. A digit
// gives the points and goes on; what is played next has been loaded before.

const flow = { items: [], at: -1, mode: "", onlyCriterion: "", undo: [], answers: new Map() };
const desk = byId("flow");
const studentOf = (id) => data.students[placeOf.get(id)];
const placeOf = new Map(data.students.map((s, place) => [s.id, place]));
const titleOf = new Map(data.rubric.map((c) => [c.id, c.title]));
const kindOf = new Map(data.rubric.map((c) => [c.id, c]));
const nameOf = (id) => rowOf.get(id).querySelector(".name").textContent;
const isOpen = (id, criterion) => standing(id, criterion)[1] > 0;
const MOST_DIGITS = 9; // criteria of more points are typed, not given by one digit
const COMMENT_KEYS = "abcdefghi";

// Which items there are

function itemsToMark(onlyCriterion) {
  const found = [];
  for (const { id: criterion } of data.rubric) {
    if (onlyCriterion && criterion !== onlyCriterion) continue;
    for (const s of data.students) {
      if (s.marking.criteria.includes(criterion) && isOpen(s.id, criterion)) {
        const asked = decisionsOn(s, criterion);
        found.push(...(asked.length ? asked : [{ student: s.id, criterion }]));
      }
    }
  }
  if (!byId("flow-by-student").checked) return found;
  return found.sort((a, b) => placeOf.get(a.student) - placeOf.get(b.student));
}

// What has to be decided before a criterion is marked: of each string, or once for them all.
function decisionsOn(s, criterion) {
  const items = [...s.marking.questions.entries()]
    .filter(([, question]) => question.decision && question.criteria.includes(criterion))
    .map(([place, question]) => ({ student: s.id, question, place, criterion }));
  return items.some(isByEar) ? items.filter(isByEar) : items.slice(0, 1);
}

const isByEar = (item) => Boolean(item.question && item.question.ways.length);

function itemsToHear() {
  const found = [];
  for (const s of data.students) {
    for (const [place, question] of s.marking.questions.entries()) {
      if (question.decision) continue;
      if (question.ways.length) {
        const item = { student: s.id, question, place, criterion: question.criteria[0] };
        if (!isAnswered(item)) found.push(item);
        continue;
      }
      for (const criterion of question.criteria) {
        const item = { student: s.id, question, place, criterion };
        const twice = found.some((f) => f.student === s.id && f.criterion === criterion);
        if (!twice && !isAnswered(item)) found.push(item);
      }
    }
  }
  return found;
}

const ITEMS = { whose: () => unmatched(), hear: itemsToHear, mark: itemsToMark };
const ENDS = {
  whose: ["Whose file is this?", "Every file has an answer.", "matches"],
  hear: ["Listen", "No question is left.", "marks"],
  mark: ["Mark", "Nothing is left to mark here.", "marks"],
};

const answerKey = (item) => `${item.student}\n${item.place}`;

function isAnswered(item) {
  const { points } = markOf(item.student, item.criterion);
  return (points !== null && points !== undefined) || flow.answers.has(answerKey(item));
}

function isDone(item) {
  if (item.file) return owners.has(item.file.file);
  return item.question ? isAnswered(item) : !isOpen(item.student, item.criterion);
}

// Begin, go on, leave

function beginFlow(mode, onlyCriterion = "") {
  closeStudent();
  flow.mode = mode;
  flow.onlyCriterion = onlyCriterion;
  flow.items = ITEMS[mode](onlyCriterion);
  flow.at = -1;
  byId("flow-way").hidden = mode !== "mark";
  const what = mode === "whose" ? "matches" : "marks";
  document.querySelector('[data-flow="save"]').textContent = `Save ${what} file`;
  byId("flow-did").textContent = "";
  if (!desk.open) desk.showModal();
  goOn(1);
}

// The next item that is still open in a direction, from the start again at the end.
function goOn(step) {
  const count = flow.items.length;
  for (let i = 1; i <= count; i += 1) {
    const place = flow.at + step * i;
    if (step < 0 && place < 0) break;
    const item = flow.items[((place % count) + count) % count];
    if (step < 0 || !isDone(item)) return showItem(((place % count) + count) % count);
  }
  if (step > 0) showEnd();
}

function showEnd() {
  stopPlaying();
  const [title, words, file] = ENDS[flow.mode];
  byId("flow-card").hidden = true;
  byId("flow-end").hidden = false;
  byId("flow-end").textContent = `${words} Save the ${file} file and put it into the class folder.`;
  byId("flow-title").textContent = title;
  byId("flow-place").textContent = "";
  byId("flow-end").focus();
}

function leaveFlow() {
  stopPlaying();
  desk.close();
  const start = document.querySelector(`[data-start="${flow.mode === "hear" ? "listen" : flow.mode}"]`);
  if (start && !start.hidden) start.focus();
}

// One item

const currentItem = () => flow.items[flow.at];

function showItem(place) {
  flow.at = place;
  const item = currentItem();
  byId("flow-card").hidden = false;
  byId("flow-end").hidden = true;
  byId("flow-wrong").hidden = true;
  byId("flow-place").textContent = `${flow.items.filter((one) => !isDone(one)).length} left`;
  byId("flow-other").hidden = !item.file;
  byId("flow-typed").hidden = byId("flow-own").hidden = Boolean(item.file);
  document.querySelector('[data-flow="full"]').hidden = !item.criterion || Boolean(item.question);
  if (item.file) showFile(item.file);
  else showStudent(item);
  byId("flow-student").focus({ preventScroll: true });
  playItem(item);
  loadAhead();
}

function showStudent(item) {
  const { question, criterion } = item;
  const of = ofCriterion.get(criterion);
  byId("flow-title").textContent = isByEar(item) && !question.decision ? "Listen" : titleOf.get(criterion);
  const about = [rowOf.get(item.student).dataset.instrument, rowOf.get(item.student).dataset.section];
  byId("flow-student").textContent = `${nameOf(item.student)}, ${about.filter(Boolean).join(", ")}`;
  byId("flow-question").textContent = question ? `${question.message} ${question.ask}` : "";
  showAnswers(item, of);
  showKept(item);
  showDays(item);
  showComments(item);
  byId("flow-points").value = "";
}

function button(words, key, act, label) {
  const made = document.createElement("button");
  made.type = "button";
  made.textContent = words + " ";
  if (label) made.setAttribute("aria-label", label);
  if (key) {
    const cap = document.createElement("kbd");
    cap.textContent = key;
    made.append(cap);
  }
  made.addEventListener("click", act);
  return made;
}

function showAnswers(item, of) {
  const box = byId("flow-answers");
  const byEar = isByEar(item);
  byId("flow-typed").hidden = byEar;
  if (byEar) {
    const { ways } = item.question;
    box.replaceChildren(...ways.map(({ words }, i) => button(words, String(i + 1), () => answer(i))));
    return;
  }
  const [given] = standing(item.student, item.criterion);
  const choices = choicesOf(of).map((points) => {
    const key = Number.isInteger(points) && of <= MOST_DIGITS ? String(points) : "";
    const words = key ? "" : nice(points);
    const made = button(words, key, () => give(points), `${nice(points)} of ${nice(of)} points`);
    made.setAttribute("aria-pressed", String(given === points && !isOpen(item.student, item.criterion)));
    return made;
  });
  box.replaceChildren(...choices);
}

// What a click gives: half points where there are few, whole ones up to nine.
function choicesOf(of) {
  const step = of <= 2 ? 0.5 : of <= MOST_DIGITS ? 1 : of / 4;
  const found = [];
  for (let points = 0; points < of - 1e-9; points += step) found.push(points);
  return [...found, of];
}

// A mark that was given for another take: shown, not counted, kept by one key.
function showKept(item) {
  const old = forOtherTake.get(cellKey(item.student, item.criterion));
  const box = byId("flow-kept");
  box.hidden = !old || isByEar(item);
  if (box.hidden) return;
  const when = old.received || old.saved_at;
  const day = when ? new Date(when).toLocaleDateString() : "an earlier day";
  const words = `Given for the take of ${day}: ${nice(old.points)}. `;
  box.replaceChildren(words, button("Keep it", "k", () => keepOld()));
}

// Recordings on several days of the week: offered as points for daily practice, given by one key.
const offeredFor = (item) => item.question ? undefined : studentOf(item.student).marking.practice.points[item.criterion];

function showDays(item) {
  const points = offeredFor(item);
  const box = byId("flow-days");
  box.hidden = points === undefined;
  if (box.hidden) return;
  const words = `Recorded on ${studentOf(item.student).marking.practice.days}. `;
  box.replaceChildren(words, button(`Give ${nice(points)}`, "p", () => give(points)));
}

function keepOld() {
  const item = currentItem();
  if (item.file) return;
  const old = forOtherTake.get(cellKey(item.student, item.criterion));
  if (!old || isByEar(item)) return;
  enter([[item, { points: old.points, comment: old.comment || "" }]], `Kept ${nice(old.points)}`);
  goOn(1);
}

// Giving

// Every change goes through here, so that one key takes it back: one mark or a hundred.
function enter(changes, words, answered = [], file = null) {
  flow.undo.push({
    at: flow.at,
    file,
    cells: changes.map(([item]) => {
      const key = cellKey(item.student, item.criterion);
      return [key, drafts.get(key)];
    }),
    answered,
  });
  for (const [item, change] of changes) setMark(item.student, item.criterion, change);
  byId("flow-did").textContent = `${words}.`;
  document.querySelector('[data-flow="undo"]').disabled = false;
}

function undo() {
  const last = flow.undo.pop();
  if (!last) return;
  for (const [key, draft] of last.cells) putBack(key, draft);
  last.answered.forEach((key) => flow.answers.delete(key));
  if (last.file) putOwner(...last.file);
  byId("flow-did").textContent = "Taken back.";
  document.querySelector('[data-flow="undo"]').disabled = flow.undo.length === 0;
  showItem(last.at < 0 ? 0 : last.at);
}

function give(points) {
  const item = currentItem();
  enter([[item, { points }]], `${nameOf(item.student)}: ${nice(points)}`);
  goOn(1);
}

// What each answer earns comes with its question; the mark is set when all strings of the take that
// were asked for have their answer.
function answer(choice) {
  const item = currentItem();
  const key = answerKey(item);
  flow.answers.set(key, choice);
  const same = studentOf(item.student).marking.questions
    .map((question, place) => ({ student: item.student, question, place, criterion: question.criteria[0] }))
    .filter((one) => isByEar(one) && one.criterion === item.criterion);
  const words = `${nameOf(item.student)}: ${item.question.ways[choice].words}`;
  if (same.every((one) => flow.answers.has(answerKey(one)))) {
    const chosen = same.map((one) => one.question.ways[flow.answers.get(answerKey(one))]);
    const sure = unmarked.get(item.student)[item.criterion][0] ?? 0;
    const won = chosen.reduce((sum, way) => sum + way.points, 0);
    const points = Math.min(ofCriterion.get(item.criterion), Math.round((sure + won) * 100) / 100);
    const comment = chosen.map((way) => way.comment).filter(Boolean).join(" ");
    enter([[item, { points, comment }]], `${words}, ${nice(points)} points`, [key]);
  } else {
    enter([], words, [key]);
  }
  goOn(1);
}

function giveFull() {
  const item = currentItem();
  if (!item || item.question || item.file) return;
  const all = flow.items.filter((one) => one.criterion === item.criterion && !isDone(one));
  const points = ofCriterion.get(item.criterion);
  enter(
    all.map((one) => [one, { points }]),
    `${titleOf.get(item.criterion)}: full points to ${all.length} ${all.length === 1 ? "student" : "students"}`,
  );
  goOn(1);
}

function giveTyped() {
  const item = currentItem();
  const of = ofCriterion.get(item.criterion);
  const points = readPoints(byId("flow-points").value, of);
  const refused = points === null || Number.isNaN(points);
  byId("flow-wrong").hidden = !refused;
  byId("flow-wrong").textContent = refused ? `Give 0 to ${nice(of)}.` : "";
  if (!refused) give(points);
}

// Comments: the teacher's own list, then what she wrote most often in this criterion.

function ownComments(criterion) {
  const counted = new Map();
  for (const mark of [...inFolder.values(), ...drafts.values()]) {
    if (mark.criterion !== criterion || !mark.comment) continue;
    counted.set(mark.comment, (counted.get(mark.comment) || 0) + 1);
  }
  const often = [...counted].sort((a, b) => b[1] - a[1]).map(([text]) => text);
  return [...new Set([...data.comments, ...often])].slice(0, COMMENT_KEYS.length);
}

function showComments(item) {
  const list = isByEar(item) ? [] : ownComments(item.criterion);
  const text = markOf(item.student, item.criterion).comment || "";
  byId("flow-comment").value = text;
  byId("flow-own").hidden = isByEar(item);
  byId("flow-comments").replaceChildren(
    ...list.map((comment, i) => {
      const made = button(comment, COMMENT_KEYS[i], () => toggleComment(comment));
      made.setAttribute("aria-pressed", String(text.includes(comment)));
      return made;
    }),
  );
}

function toggleComment(comment) {
  const item = currentItem();
  const text = markOf(item.student, item.criterion).comment || "";
  const now = text.includes(comment)
    ? text.replace(comment, "").replace(/\s+/g, " ").trim()
    : `${text} ${comment}`.trim();
  enter([[item, { comment: now }]], now ? "Comment added" : "Comment taken out");
  showComments(item);
}

byId("flow-comment").addEventListener("change", (event) => {
  const item = currentItem();
  if (item && !item.file) setMark(item.student, item.criterion, { comment: event.target.value.trim() });
});

// Keys and buttons

function playAgain() {
  if (!currentItem()) return;
  playItem(currentItem());
  document.querySelectorAll("#flow-player video").forEach(start);
}

const FLOW = {
  again: playAgain,
  back: () => goOn(-1),
  skip: () => goOn(1),
  full: giveFull,
  undo,
  save: () => (flow.mode === "whose" ? saveMatches() : saveMarks()),
  leave: leaveFlow,
};
const FLOW_KEYS = { " ": "again", ArrowLeft: "back", ArrowRight: "skip", x: "full", u: "undo" };

desk.addEventListener("click", (event) => {
  const pressed = event.target.closest("[data-flow]");
  if (pressed) FLOW[pressed.dataset.flow]();
});
desk.addEventListener("cancel", (event) => {
  event.preventDefault();
  leaveFlow();
});
desk.addEventListener("close", stopPlaying);
byId("flow-by-student").addEventListener("change", () => beginFlow("mark", flow.onlyCriterion));

function flowKey(event) {
  const field = event.target.closest("input:not([type=checkbox]), textarea");
  if (event.key === "Enter" && field && field.id === "flow-points") {
    event.preventDefault();
    giveTyped();
    return;
  }
  if (event.key === "Enter" && field && field.id === "flow-whose") {
    event.preventDefault();
    giveNamed();
    return;
  }
  if (event.key === "Escape" && field) {
    event.preventDefault(); // leaves the field, not the flow
    byId("flow-student").focus();
    return;
  }
  if (field || event.ctrlKey || event.metaKey || event.altKey) return;
  const item = byId("flow-card").hidden ? null : currentItem();
  const onButton = event.key === " " && event.target.closest("button, input, audio, video");
  if (FLOW_KEYS[event.key] && !onButton) {
    event.preventDefault();
    FLOW[FLOW_KEYS[event.key]]();
  } else if (item) {
    keyOfItem(event, item);
  }
}

function keyOfItem(event, item) {
  if (item.file) {
    keyOfFile(event.key, item.file);
    return;
  }
  const byEar = isByEar(item);
  const of = ofCriterion.get(item.criterion);
  if (byEar) {
    const way = Number(event.key) - 1;
    if (item.question.ways[way]) answer(way);
  } else if (/^\d$/.test(event.key) && of <= MOST_DIGITS) {
    if (Number(event.key) <= of) give(Number(event.key));
  } else if (/^[\d.,/½]$/.test(event.key)) {
    byId("flow-points").focus(); // the key goes into the field
  } else if (event.key === "k") {
    keepOld();
  } else if (event.key === "p" && offeredFor(item) !== undefined) {
    give(offeredFor(item));
  } else if (byId("flow-comments").children[COMMENT_KEYS.indexOf(event.key)]) {
    byId("flow-comments").children[COMMENT_KEYS.indexOf(event.key)].click();
  }
}

desk.addEventListener("keydown", flowKey);
