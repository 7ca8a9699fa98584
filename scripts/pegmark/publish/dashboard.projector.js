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
