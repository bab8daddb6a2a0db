"use strict";
(function () {
  // Sorting and filtering of the table of trees, a button that unfolds all, and folded parts that open when a link leads to them. Without this the page is whole all the same.
  function keyOf(row, column) {
    var cell = row.cells[column];
    var written = cell.getAttribute("data-order");
    return written === null ? cell.textContent.trim() : written;
  }

  function compare(first, second, down) {
    if (first === "" || second === "") { return (first === "") - (second === ""); }  // blanks last, whichever way
    var numbers = first - second;
    var order = Number.isNaN(numbers) ? first.localeCompare(second, undefined, { numeric: true }) : numbers;
    return down ? -order : order;
  }

  function makeSortable(table) {
    var body = table.tBodies[0];
    Array.prototype.forEach.call(table.tHead.rows[0].cells, function (head, column) {
      var button = document.createElement("button");
      var printed = document.createElement("span");  // browsers leave buttons out of the heads they repeat on paper
      button.type = "button";
      button.textContent = printed.textContent = head.textContent;
      printed.className = "printed";
      head.textContent = "";
      head.append(button, printed);
      button.addEventListener("click", function () {
        var down = head.getAttribute("aria-sort") === "ascending";
        Array.prototype.forEach.call(table.tHead.rows[0].cells, function (other) { other.removeAttribute("aria-sort"); });
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
        var rows = Array.prototype.slice.call(body.rows);
        rows.map(function (row, place) { return { row: row, key: keyOf(row, column), place: place }; })
          .sort(function (a, b) { return compare(a.key, b.key, down) || a.place - b.place; })
          .forEach(function (entry) { body.appendChild(entry.row); });
      });
    });
  }

  function makeFilter(table) {
    var box = document.createElement("div");
    var label = document.createElement("label");
    var input = document.createElement("input");
    var told = document.createElement("span");
    box.className = "filter";
    label.textContent = "Show trees with ";
    label.htmlFor = input.id = "tree-filter";
    input.type = "search";
    told.setAttribute("role", "status");
    box.append(label, input, told);
    table.parentNode.parentNode.insertBefore(box, table.parentNode);
    var texts = Array.prototype.map.call(table.tBodies[0].rows, function (row) { return { row: row, text: row.textContent.toLowerCase() }; });
    input.addEventListener("input", function () {
      var words = input.value.toLowerCase().split(/\s+/).filter(Boolean);
      var shown = 0;
      texts.forEach(function (entry) {
        var fits = words.every(function (word) { return entry.text.indexOf(word) >= 0; });
        entry.row.hidden = !fits;
        shown += fits;
      });
      told.textContent = words.length ? shown + " of " + texts.length + " trees" : "";
    });
  }

  function openTarget() {
    var target = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
    if (!target) { return; }
    for (var each = target; each; each = each.parentElement) { if (each.tagName === "DETAILS") { each.open = true; } }
    if (target.tagName === "DETAILS") { target.scrollIntoView(); }
  }

  function makeUnfold(parts) {
    var button = document.createElement("button");
    button.id = "unfold";
    button.type = "button";
    button.textContent = "Unfold all, to read or print";
    button.addEventListener("click", function () {
      document.querySelectorAll("details").forEach(function (each) { each.open = true; });
    });
    parts.insertBefore(button, parts.firstChild);
  }

  var table = document.getElementById("tree-table");
  if (table) { makeSortable(table); makeFilter(table); }
  var parts = document.getElementById("more");
  if (parts) { makeUnfold(parts); }
  window.addEventListener("hashchange", openTarget);
  openTarget();
})();
