// A page that shows what changes is drawn anew when the floor has moved, unless someone is
// in the middle of something on it.
(function () {
  "use strict";
  var slider = document.getElementById("days");
  if (slider) {
    var chosen = document.querySelector("output[data-days]");
    var days = chosen.getAttribute("data-days").split("|");
    var tell = function () { chosen.textContent = days[slider.value - slider.min]; };
    slider.addEventListener("input", tell);
    window.addEventListener("pageshow", tell); // a browser going back keeps where it stood
  }

  var main = document.querySelector("main[data-live]");
  if (!main || !window.EventSource) { return; }
  var fresh = document.querySelector(".fresh");
  var seen = Number(main.getAttribute("data-live")); // how much of the log this page knows
  var drawn = Date.now();
  var soon = 0; // not more often than every ten seconds: someone is reading
  var source = new EventSource("/api/v1/live");
  source.addEventListener("moved", function (event) {
    var seq = JSON.parse(event.data).seq;
    if (seq === seen) { return; }
    seen = seq;
    fresh.hidden = false;
    if (!soon) { soon = setTimeout(redraw, Math.max(0, drawn + 10000 - Date.now())); }
  });
  function redraw() {
    soon = 0;
    if (!busy()) { again(); }
  }
  function busy() {
    var at = document.activeElement;
    return document.hidden || main.querySelector("details.asks[open], dialog[open]") ||
      (at && /^(INPUT|SELECT|TEXTAREA)$/.test(at.tagName));
  }
  function again() {
    drawn = Date.now();
    fetch(location.href).then(function (response) {
      if (!response.ok) { throw new Error(); }
      return response.text();
    }).then(function (text) {
      if (busy()) { return; }
      var page = new DOMParser().parseFromString(text, "text/html").querySelector("main");
      if (!page) { return; }
      show(page);
      fresh.hidden = true;
    }).catch(function () { /* it stays as it was, and says that something is new */ });
  }
  // Touches only what differs: a page with a thousand stands takes a few milliseconds, and what
  // someone has opened stays open.
  function settle(was, next) {
    if (was.isEqualNode(next)) { return; }
    if (was.nodeType !== Node.ELEMENT_NODE || was.nodeName !== next.nodeName) {
      was.replaceWith(next.cloneNode(true));
      return;
    }
    Array.prototype.forEach.call(next.attributes, function (mark) {
      if (mark.name !== "open" && was.getAttribute(mark.name) !== mark.value) { was.setAttribute(mark.name, mark.value); }
    });
    Array.prototype.slice.call(was.attributes).forEach(function (mark) {
      if (mark.name !== "open" && !next.hasAttribute(mark.name)) { was.removeAttribute(mark.name); }
    });
    var old = Array.prototype.slice.call(was.childNodes);
    Array.prototype.forEach.call(next.childNodes, function (child, nth) {
      if (old[nth]) { settle(old[nth], child); } else { was.appendChild(child.cloneNode(true)); }
    });
    old.slice(next.childNodes.length).forEach(function (child) { child.remove(); });
  }
  function show(page) { settle(main, page); }
  window.wheelward = { show: show };
})();
