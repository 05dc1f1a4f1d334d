"use strict";
for (const table of document.querySelectorAll("table.sortable")) {
  const heads = [...table.tHead.rows[0].cells], body = table.tBodies[0], rows = [...body.rows];
  const value = (row, column) => row.cells[column].dataset.v ?? row.cells[column].textContent.trim();
  const told = document.createElement("output"), box = document.createElement("input"), label = document.createElement("label");
  // its words come with the table, in the language of the page
  const { filter, found } = table.dataset, language = document.documentElement.lang;
  heads.forEach((head, column) => {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const up = head.getAttribute("aria-sort") !== "ascending", turn = up ? 1 : -1;
      for (const other of heads) other.removeAttribute("aria-sort");
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      rows.sort((one, two) => {
        const a = value(one, column), b = value(two, column);
        if (a === b) return 0;
        if (a === "" || b === "") return a === "" ? 1 : -1;
        return turn * a.localeCompare(b, language, { numeric: true });
      });
      body.append(...rows);
    });
  });
  box.type = "search";
  box.addEventListener("input", () => {
    const words = box.value.toLocaleLowerCase(language).split(/\s+/);
    let shown = 0;
    for (const row of rows) {
      const text = row.textContent.toLocaleLowerCase(language);
      row.hidden = !words.every(word => text.includes(word));
      shown += row.hidden ? 0 : 1;
    }
    told.textContent = box.value.trim() ? found.replace("#", shown).replace("#", rows.length) : "";
  });
  label.className = "filter";
  label.append(filter, " ", box, " ", told);
  table.before(label);
}
