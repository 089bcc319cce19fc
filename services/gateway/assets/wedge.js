// The scanner types: whatever has the focus, every key goes into the one field.
(function () {
  "use strict";

  window.wedge = function (field, scanned) {
    var lastKey = 0;
    document.addEventListener("keydown", function (event) {
      var target = event.target;
      // A field of a dialog that has just been closed has the focus for a moment longer.
      var closed = target.closest && target.closest("dialog:not([open])");
      if (target !== field && !closed && /^(INPUT|SELECT|TEXTAREA)$/.test(target.tagName)) { return; }
      var now = performance.now();
      var burst = now - lastKey < 250; // nobody types so fast
      if (event.key === "Enter" || event.key === "Tab") {
        if (!field.value || (target !== field && !burst)) { return; }
        event.preventDefault();
        var line = field.value;
        field.value = "";
        scanned(line);
        return;
      }
      var key = event.key;
      if (event.ctrlKey && key === "]") { key = "\u001d"; event.preventDefault(); } // a GS, as some scanners type it
      else if (event.ctrlKey || event.altKey || event.metaKey || key.length !== 1) { return; }
      else if (target === field) { lastKey = now; return; } // it takes the key by itself
      if (key === " " && !burst) { return; } // presses the button that has the focus
      event.preventDefault();
      if (target !== field && now - lastKey > 3000) { field.value = ""; }
      field.value += key;
      lastKey = now;
    }, true);
  };
})();
