// What happens when the page opens.

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
// The sheet for a staff meeting: what the whole class shows, on one page; the browser's own way of
// printing still gives all of it.
byId("print-sheet").addEventListener("click", () => {
  closeStudent();
  document.documentElement.dataset.paper = "sheet";
  print();
});
addEventListener("afterprint", () => delete document.documentElement.dataset.paper);
document.documentElement.dataset.ready = "yes";
setTimeout(loadFirst, 500); // after what is seen at first
