// What was scanned here last: recorded, refused or still waiting, and what can be undone.
(function () {
  "use strict";

  var SHOWN = 8;

  function isRefused(receipt) {
    return !receipt.facts.length && (receipt.level === "wrong" || receipt.level === "stop");
  }
  function note(li, text) {
    var note = document.createElement("em");
    note.textContent = text;
    li.appendChild(note);
  }
  window.receipts = function (words, zone, fill, undo) {
    function clock(time) {
      return new Date(time).toLocaleTimeString("en-GB", { timeZone: zone, hour: "2-digit", minute: "2-digit" });
    }
    // A scan that nobody has answered yet, as if it were a receipt.
    function waiting(scan) {
      return {
        seq: scan.seq, occurred_at: scan.occurred_at, words: words["level-wait"] + ": " + scan.line,
        level: "next", undoes: null, undone: false, person: scan.person, waits: true,
        facts: /^[AP]\./i.test(scan.line) ? [] : [scan.seq]
      };
    }
    function item(receipt, last, person, now) {
      var li = document.createElement("li");
      li.className = "went-" + receipt.level + (receipt.undone ? " undone" : "");
      var time = document.createElement("time");
      time.dateTime = receipt.occurred_at;
      time.textContent = clock(receipt.occurred_at);
      var text = document.createElement("p");
      text.lang = "en";
      text.textContent = receipt.words;
      li.appendChild(time);
      li.appendChild(text);
      if (receipt.undone) { note(li, words["station-undone"]); }
      else if (isRefused(receipt)) { note(li, fill(words["station-refused"], { line: receipt.line || "" })); }
      else if (last && receipt.person === person && (receipt.waits || Date.parse(receipt.undo_until) > now)) {
        var button = document.createElement("button");
        button.type = "button";
        button.textContent = receipt.waits ? words["station-undo"] : fill(words["station-undo-until"], { time: clock(receipt.undo_until) });
        button.setAttribute("aria-label", button.textContent + ": " + receipt.words);
        button.addEventListener("click", function () { button.disabled = true; undo(receipt.seq); });
        li.appendChild(button);
      } else if (last) { note(li, words["station-manager-corrects"]); }
      return li;
    }
    function draw(list, recorded, queue, person, now) {
      list.textContent = "";
      var undone = queue.map(function (scan) { return scan.undoes; });
      var shown = recorded.filter(function (receipt) { return receipt.facts.length || isRefused(receipt); });
      queue.forEach(function (scan) { if (scan.line && !scan.withdrawn) { shown.push(waiting(scan)); } });
      shown = shown.map(function (receipt) {
        return undone.indexOf(receipt.seq) < 0 ? receipt : Object.assign({}, receipt, { undone: true });
      });
      // Only the last record can be undone, and by whoever made it.
      var stands = function (receipt) { return receipt.facts.length && receipt.undoes === null && !receipt.undone; };
      var last = shown.filter(stands).pop();
      shown.slice(-SHOWN).reverse().forEach(function (receipt) {
        list.appendChild(item(receipt, receipt === last, person, now));
      });
      if (!shown.length) {
        var none = document.createElement("li");
        none.className = "empty";
        none.textContent = words["station-nothing"];
        list.appendChild(none);
      }
    }
    // The wheels that a receipt is about.
    function touched(receipt) {
      var n = receipt.wheels.length;
      if (!n) { return ""; }
      var first = receipt.wheels.slice(0, 24).join("  ").replace(/-/g, "\u2011"); // never broken across lines
      return fill(n === 1 ? words["station-wheels-one"] : words["station-wheels-many"], { n: n }) +
        ": " + first + (n > 24 ? " …" : "");
    }
    return { draw: draw, touched: touched };
  };
})();
