// Who stands at this station, as far as this device knows. A page may be one that was kept: it
// bears whoever was signed in when it was drawn, and knows of nobody who came or left since.
(function () {
  "use strict";

  window.there = function (station) {
    var KEY = "wheelward.there " + station;

    function last() {
      try { return JSON.parse(localStorage.getItem(KEY)) || {}; } catch (error) { return {}; }
    }
    function keep(scans, left) {
      localStorage.setItem(KEY, JSON.stringify({ session: scans.session, since: Date.parse(scans.since), left: left }));
    }
    return {
      // Someone has signed in.
      comes: function (scans) { if (scans) { keep(scans, false); } },
      // Whoever it was stands here no more, though their session may last.
      leaves: function (scans) { if (scans) { keep(scans, true); } },
      // Whether whom a page names stands here: who came last, unless they have left.
      stands: function (scans) {
        var known = last();
        if (known.session === scans.session) { return !known.left; }
        if (Date.parse(scans.since) < known.since) { return false; }
        keep(scans, false);
        return true;
      }
    };
  };
})();
