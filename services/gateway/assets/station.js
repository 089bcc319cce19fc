// The station page. Every scan gets a number and lies on this device's disk until the server
// has answered it; a scan that is sent twice is taken once.
(function () {
  "use strict";

  var state = JSON.parse(document.getElementById("state").value);
  var words = state.words;
  var MOST = 50; // scans in one call
  var PATIENCE = 8000; // a dispatch waits some seconds for what other stations did
  var LOOK_EVERY = 10000; // so that it is known before the next scan whether the dairy can be reached
  var SKEW = "wheelward.skew";
  var outbox = null;
  var ready = window.Outbox.open(state.station).then(function (opened) { outbox = opened; });
  var queue = []; // as it lies in the outbox
  var least = state.next_seq;
  var recorded = state.latest.slice().reverse();
  var sending = false;
  var more = false;
  var wait = 0;
  var timer = 0;
  var online = true;
  var lapsed = null; // whose session ended amid scans: what they scan meanwhile is still theirs
  var LAPSED_FOR = 60000;
  // How far this tablet's clock is behind the floor's, in milliseconds. A page that was kept
  // tells an old time, so what was measured last counts more.
  var skew = Number(localStorage.getItem(SKEW) || Date.parse(state.now) - Date.now());

  function by(id) { return document.getElementById(id); }
  function fill(text, values) {
    return text.replace(/\{(\w+)\}/g, function (_, name) { return values[name]; });
  }
  function ask(path, options) {
    var gone = new AbortController();
    var late = setTimeout(function () { gone.abort(); }, PATIENCE);
    options = options || {};
    options.signal = gone.signal;
    options.cache = "no-store";
    options.headers = { "Content-Type": "application/json", "X-Wheelward-Token": state.token || "" };
    var asked = Date.now();
    return fetch(path, options).then(function (response) {
      return response.json().then(function (body) {
        clearTimeout(late);
        if (body.now) { measure(Date.parse(body.now), asked, Date.now()); }
        return { ok: response.ok, body: body };
      });
    });
  }
  // The answer was given somewhere between question and arrival.
  function measure(floor, asked, heard) {
    if (heard - asked > 2000) { return; }
    skew = Math.round(floor - (asked + heard) / 2);
    localStorage.setItem(SKEW, skew);
  }

  // --- scanning -------------------------------------------------------------------------

  function scan(line) {
    line = line.replace(/^[\s\u0000-\u001f]+|[\s\u0000-\u001f]+$/g, "").slice(0, 512);
    if (!line) { return; }
    var begins = /^A\.(\w+)$/i.exec(line);
    var action = begins && begins[1].toUpperCase();
    // What may leave depends on every hold: it is asked, or it is not done.
    var asks = action === "DISPATCH" || (state.action === "DISPATCH" && !action);
    if (asks && !online) { refuse(line); look(); return; }
    if (asks && !state.person) { askPin(null, words["station-sign-in"]); sound("wrong"); return; }
    if (action && action !== "UNDO" && state.actions[action]) { state.action = action; draw(); }
    add({ line: line, asks: asks });
  }
  function refuse(line) {
    show("wrong", words["station-offline-dispatch"], fill(words["station-given-up"], { line: line }));
  }
  function undo(seq) { add({ undoes: seq }); }
  function add(scan) {
    var person = state.person || (amid() && lapsed.person);
    if (!person) { askPin(null, words["station-sign-in"]); sound("wrong"); return; }
    scan.occurred_at = new Date(Date.now() + skew).toISOString();
    scan.person = person;
    scan.skew_ms = skew;
    ready.then(function () { return outbox.add(scan, least); }).then(function (kept) {
      queue.push(kept);
      if (!online || !state.person) { show("wait", fill(words["station-kept"], { n: queue.length }), kept.line || ""); }
      draw();
      drain();
    }).catch(function () { show("wrong", words["station-no-disk"], scan.line || ""); });
  }

  // Whether it is a wheel's or a place's code or an action, and no badge.
  function isWork(line) { return /^\w\./.test(line) && !/^p\./i.test(line); }
  // Whether a session ended amid scans, a moment ago.
  function amid() { return lapsed && Date.now() - lapsed.at < LAPSED_FOR; }

  // --- sending --------------------------------------------------------------------------

  function again() {
    wait = Math.min(wait ? wait * 2 : 1000, 15000);
    clearTimeout(timer);
    timer = setTimeout(drain, wait);
  }
  function drain() {
    if (sending) { more = true; return; }
    sending = true;
    more = false;
    outbox.all().then(function (all) {
      queue = all;
      if (!queue.length) { return; }
      if (!state.person) { askPin(null, words["station-sign-in"]); return; }
      var batch = queue.slice(0, MOST);
      return ask("/api/v1/station/scan", { method: "POST", body: JSON.stringify(batch.map(bare)) })
        .then(function (answer) {
          reached();
          return answer.ok ? take(answer.body) : refused(answer.body, batch[0]);
        }, function () { return unanswered(batch); });
    }).then(function () {
      sending = false;
      draw();
      if (more) { drain(); }
    }).catch(function () { sending = false; again(); });
  }
  // What the server is told of a scan.
  function bare(scan) {
    return {
      station: scan.station, seq: scan.seq, occurred_at: scan.occurred_at, line: scan.line,
      undoes: scan.undoes, person: scan.person, skew_ms: scan.skew_ms
    };
  }
  function reached() {
    online = true;
    wait = 0;
  }
  function unanswered(batch) {
    online = false;
    again();
    var open = queue.filter(function (scan) { return scan.asks; });
    open.forEach(function (scan) { refuse(scan.line); });
    if (!open.length) { show("wait", fill(words["station-kept"], { n: queue.length }), words["station-offline"]); }
    return takeBack(open, batch);
  }
  // Nobody knows whether these arrived. A dispatch that nobody answered must not count later:
  // if it was sent it is taken back, and else never sent.
  function takeBack(open, sent) {
    return Promise.all(open.map(function (scan) {
      return sent.indexOf(scan) < 0 ? outbox.forget([scan.seq]) : outbox.add({
        undoes: scan.seq, quiet: true, occurred_at: scan.occurred_at, person: scan.person, skew_ms: scan.skew_ms
      }, least, scan.seq);
    })).then(function () { return outbox.all(); }).then(function (all) { queue = all; });
  }
  function take(body) {
    state.action = body.action;
    least = body.next_seq;
    var taken = body.results.filter(function (result) { return result.taken; });
    var trouble = body.results.filter(function (result) { return !result.taken; })[0];
    var quiet = queue.filter(function (scan) { return scan.quiet; }).map(function (scan) { return scan.seq; });
    return outbox.forget(taken.map(function (result) { return result.seq; })).then(function () {
      queue = queue.filter(function (scan) {
        return !taken.some(function (result) { return result.seq === scan.seq; });
      });
      taken.forEach(function (result) { heard(result.receipt, quiet.indexOf(result.seq) >= 0); });
      if (trouble) { return refused(trouble.trouble, queue[0]); }
      if (queue.length) { more = true; }
    });
  }
  function refused(trouble, first) {
    if (trouble.code === "sign_in") {
      if (state.person) { lapsed = { person: state.person, at: Date.now() }; }
      state.person = null;
      askPin(null, trouble.words);
      return;
    }
    if (trouble.code === "token") { location.reload(); return; }
    if (trouble.code === "seq_used") {
      return ask("/api/v1/station").then(function (answer) {
        least = answer.body.next_seq;
        more = true;
        return outbox.renumber(least);
      });
    }
    if (!trouble.keep && first) {
      // Sending it again could never help. It is said, and not sent any more.
      show("wrong", trouble.words, fill(words["station-given-up"], { line: first.line || "" }));
      more = true;
      return outbox.forget([first.seq]);
    }
    show("wrong", trouble.words, fill(words["station-waiting"], { n: queue.length }));
    again();
  }
  // Whether the dairy can be reached, what time it is there, and which number is free.
  function look() {
    if (sending || document.hidden) { return; }
    ask("/api/v1/station").then(function (answer) {
      if (!answer.ok) { return; }
      var back = !online;
      reached();
      least = answer.body.next_seq;
      if (!queue.length) { state.action = answer.body.action; }
      if (state.person && !answer.body.person) { state.person = null; askPin(null, words["station-sign-in"]); }
      draw();
      if (back || queue.length) { drain(); }
    }).catch(function () { online = false; draw(); });
  }

  // --- showing --------------------------------------------------------------------------

  function heard(receipt, quiet) {
    recorded.push(receipt);
    if (recorded.length > 30) { recorded.shift(); }
    if (receipt.undoes !== null) {
      recorded.forEach(function (old) { if (old.seq === receipt.undoes) { old.undone = true; } });
    }
    if (quiet) { return; }
    if (receipt.asks_pin_of) { askPin(receipt.asks_pin_of, ""); }
    show(receipt.level, receipt.words, touched(receipt));
    if (receipt.level === "stop") { stop(receipt); }
  }
  function touched(receipt) {
    var n = receipt.wheels.length;
    if (!n) { return ""; }
    var first = receipt.wheels.slice(0, 24).join("  ").replace(/-/g, "\u2011"); // never broken across lines
    return fill(n === 1 ? words["station-wheels-one"] : words["station-wheels-many"], { n: n }) +
      ": " + first + (n > 24 ? " …" : "");
  }
  function show(level, text, detail) {
    var box = by("answer");
    box.setAttribute("data-level", level);
    box.setAttribute("data-said", Number(box.getAttribute("data-said")) + 1);
    by("level").textContent = words["level-" + level] || "";
    by("words").textContent = text;
    by("words").lang = "en";
    by("detail").textContent = detail || "";
    box.classList.remove("flash");
    void box.offsetWidth; // so that the same answer twice is seen twice
    box.classList.add("flash");
    sound(level);
  }
  function draw() {
    by("action").textContent = state.action ? state.actions[state.action] || state.action : words["station-no-action"];
    by("person-name").textContent = state.name || words["station-person-none"];
    var list = by("recorded");
    list.textContent = "";
    var undone = queue.map(function (scan) { return scan.undoes; });
    var shown = recorded.filter(function (receipt) { return receipt.facts.length; });
    queue.forEach(function (scan) { if (scan.line && !scan.asks) { shown.push(waiting(scan)); } });
    shown.forEach(function (receipt) { receipt.undone = receipt.undone || undone.indexOf(receipt.seq) >= 0; });
    shown.slice(-8).reverse().forEach(function (receipt) { list.appendChild(item(receipt)); });
    if (!shown.length) {
      var none = document.createElement("li");
      none.className = "empty";
      none.textContent = words["station-nothing"];
      list.appendChild(none);
    }
    link();
  }
  // A scan that nobody has answered yet, as if it were a receipt.
  function waiting(scan) {
    return {
      seq: scan.seq, occurred_at: scan.occurred_at, words: words["level-wait"] + ": " + scan.line,
      level: "next", undoes: null, undone: false, facts: /^A\./i.test(scan.line) ? [] : [scan.seq]
    };
  }
  function item(receipt) {
    var li = document.createElement("li");
    li.className = "went-" + receipt.level + (receipt.undone ? " undone" : "");
    var time = document.createElement("time");
    time.dateTime = receipt.occurred_at;
    time.textContent = new Date(receipt.occurred_at)
      .toLocaleTimeString("en-GB", { timeZone: state.zone, hour: "2-digit", minute: "2-digit" });
    var text = document.createElement("p");
    text.lang = "en";
    text.textContent = receipt.words;
    li.appendChild(time);
    li.appendChild(text);
    if (receipt.undone) {
      var done = document.createElement("em");
      done.textContent = words["station-undone"];
      li.appendChild(done);
    } else if (receipt.facts.length && receipt.undoes === null) {
      var button = document.createElement("button");
      button.type = "button";
      button.textContent = words["station-undo"];
      button.setAttribute("aria-label", words["station-undo"] + ": " + receipt.words);
      button.addEventListener("click", function () { button.disabled = true; undo(receipt.seq); });
      li.appendChild(button);
    }
    return li;
  }
  function link() {
    var text = queue.length ? fill(words["station-waiting"], { n: queue.length }) : words["station-sent"];
    if (!online) { text = words["station-offline"] + " · " + text; }
    by("link").textContent = text;
    by("link").className = "link" + (online ? (queue.length ? " busy" : "") : " off");
  }

  // --- sound: each level has a rhythm of its own ------------------------------------------

  var audio = null;
  var TUNES = {
    ok: [[880, 0, 0.09], [1320, 0.1, 0.14]],
    next: [[660, 0, 0.08]],
    wait: [[520, 0, 0.06]],
    wrong: [[300, 0, 0.16], [300, 0.24, 0.16]],
    stop: [[220, 0, 0.25], [165, 0.28, 0.25], [220, 0.56, 0.25], [165, 0.84, 0.4]]
  };
  function sound(level) {
    if (navigator.vibrate) { navigator.vibrate({ ok: 40, wrong: [120, 80, 120], stop: [400, 100, 400] }[level] || 0); }
    var Audio = window.AudioContext || window.webkitAudioContext;
    if (!Audio || !TUNES[level]) { return; }
    try {
      audio = audio || new Audio();
      if (audio.state === "suspended") { audio.resume(); }
      TUNES[level].forEach(function (tone) {
        var voice = audio.createOscillator();
        var loud = audio.createGain();
        voice.type = level === "ok" || level === "next" ? "sine" : "square";
        voice.frequency.value = tone[0];
        loud.gain.value = level === "stop" ? 0.5 : 0.25;
        voice.connect(loud);
        loud.connect(audio.destination);
        voice.start(audio.currentTime + tone[1]);
        voice.stop(audio.currentTime + tone[1] + tone[2]);
      });
    } catch (e) { /* no sound on this device: colour, shape and words say it too */ }
  }

  // --- dialogs --------------------------------------------------------------------------

  function open(id) {
    if (!by(id).open) { by(id).showModal(); }
  }
  function stop(receipt) {
    by("stop-words").textContent = receipt.words;
    by("stop-words").lang = "en";
    // The station's own words are English; what to do is said in the reader's language too.
    if (document.documentElement.lang !== "en") {
      by("stop-do").textContent = words[receipt.facts.length ? "station-stop-gone" : "station-stop-kept"];
    }
    open("stop");
  }
  by("stop-seen").addEventListener("click", function () { by("stop").close(); });
  by("stop").addEventListener("cancel", function (event) { event.preventDefault(); });
  by("current").addEventListener("click", function () { open("chooser"); });
  by("numbers").addEventListener("click", function () { by("number").textContent = ""; open("pad"); });
  by("person").addEventListener("click", function () { askPin(null, ""); });
  document.addEventListener("click", function (event) {
    var key = event.target.closest("[data-line],[data-close],[data-digit],[data-pin]");
    if (!key) { return; }
    if (key.hasAttribute("data-close")) { key.closest("dialog").close(); }
    if (key.hasAttribute("data-line")) { key.closest("dialog").close(); scan(key.getAttribute("data-line")); }
    if (key.hasAttribute("data-digit")) {
      by("number").textContent = typed(by("number").textContent, key.getAttribute("data-digit"));
    }
    if (key.hasAttribute("data-pin")) {
      by("pin-digits").value = typed(by("pin-digits").value, key.getAttribute("data-pin"));
    }
  });
  function typed(text, key) { return key === "⌫" ? text.slice(0, -1) : (text + key).slice(0, 12); }
  by("number-take").addEventListener("click", function () {
    var text = by("number").textContent;
    by("pad").close();
    if (text) { scan("N." + text); }
  });

  // --- badge and PIN --------------------------------------------------------------------

  function askPin(badge, text) {
    if (by("pin").open && !badge) { return; }
    by("pin-words").textContent = text;
    if (badge) { by("pin-badge").value = badge; }
    by("pin-title").textContent = badge ? fill(words["station-pin-for"], { badge: badge }) : words["station-sign-in"];
    by("pin-digits").value = "";
    open("pin");
    (by("pin-badge").value ? by("pin-digits") : by("pin-badge")).focus();
  }
  function signIn() {
    ask("/api/v1/session", {
      method: "POST",
      body: JSON.stringify({ badge: by("pin-badge").value, pin: by("pin-digits").value })
    }).then(function (answer) {
      by("pin-digits").value = "";
      if (!answer.ok) {
        if (answer.body.code === "token") { location.reload(); return; }
        by("pin-words").textContent = answer.body.words;
        sound("wrong");
        return;
      }
      state.person = answer.body.badge;
      state.name = answer.body.name;
      state.token = answer.body.token;
      lapsed = null;
      by("pin").close();
      // The keys shown depend on who stands here, once nothing waits to be sent.
      if (!queue.length) { location.reload(); return; }
      draw();
      drain();
      fetch("/station").catch(function () { /* the page that is kept bears the name when it is next opened */ });
    }).catch(function () { by("pin-words").textContent = words["station-offline-pin"]; });
  }
  by("pin-go").addEventListener("click", signIn);
  by("pin").addEventListener("keydown", function (event) {
    if (event.key !== "Enter") { return; }
    event.preventDefault();
    if (amid() && isWork(event.target.value || "")) { // the scanner types where the badge is asked for
      var line = event.target.value;
      event.target.value = "";
      scan(line);
    } else if (event.target === by("pin-badge")) {
      by("pin-badge").value = by("pin-badge").value.replace(/^p\./i, "");
      by("pin-digits").focus();
    } else if (/^p\./i.test(by("pin-digits").value)) {
      by("pin-badge").value = by("pin-digits").value.slice(2); // a badge scanned into the PIN
      by("pin-digits").value = "";
    } else if (event.target.tagName !== "BUTTON") { signIn(); } else { event.target.click(); }
  });

  // --- the scanner types: whatever has the focus, every key goes into the one field ---------

  var field = by("scan");
  var lastKey = 0;
  document.addEventListener("keydown", function (event) {
    var target = event.target;
    if (target !== field && /^(INPUT|SELECT|TEXTAREA)$/.test(target.tagName)) { return; }
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
  function scanned(line) {
    if (by("stop").open) { sound("stop"); return; } // STOP is looked at first
    if (by("pin").open && amid() && isWork(line)) { scan(line); return; }
    if (by("pin").open) { by("pin-badge").value = line.replace(/^p\./i, ""); by("pin-digits").focus(); return; }
    ["chooser", "pad", "lens"].forEach(function (id) { if (by(id).open) { by(id).close(); } });
    scan(line);
  }
  function refocus() {
    if (!document.querySelector("dialog[open]")) { field.focus({ preventScroll: true }); }
  }
  document.addEventListener("pointerup", function (event) {
    if (!event.target.closest("button,a,dialog,input,summary")) { refocus(); }
  });
  Array.prototype.forEach.call(document.querySelectorAll("dialog"), function (dialog) {
    dialog.addEventListener("close", refocus);
  });
  document.addEventListener("visibilitychange", function () { if (!document.hidden) { refocus(); look(); } });

  // --- the camera -----------------------------------------------------------------------

  if (navigator.mediaDevices && navigator.mediaDevices.getUserMedia) {
    by("camera").hidden = false;
    by("camera").addEventListener("click", function () {
      by("lens-words").textContent = words["station-camera-starts"];
      open("lens");
      var looking = window.Camera.look(by("video"), function (line) {
        by("lens").close();
        scan(line);
      }, function (what) {
        if (what === "aim") { by("lens-words").textContent = words["station-camera-aim"]; return; }
        by("lens").close();
        show("wrong", words["station-camera-" + what], "");
      });
      by("lens").addEventListener("close", looking.stop, { once: true });
    });
  }

  window.addEventListener("online", look);
  window.addEventListener("offline", function () { online = false; draw(); });
  if (!state.person) { show("next", words["station-sign-in"], ""); askPin(null, ""); }
  else { show("idle", state.action ? words["station-ready"] : words["station-scan-first"], ""); refocus(); }
  by("words").removeAttribute("lang");
  if (navigator.storage && navigator.storage.persist) { navigator.storage.persist(); }
  if (navigator.serviceWorker) {
    navigator.serviceWorker.register("/assets/offline.js", { scope: "/" }).catch(function () {
      by("detail").textContent = words["station-no-worker"];
    });
  } else { by("detail").textContent = words["station-no-worker"]; }
  draw();
  ready.then(function () { return outbox.all(); }).then(function (all) {
    queue = all;
    var open = queue.filter(function (scan) { return scan.asks; });
    return takeBack(open, open);
  }).then(function () {
    draw();
    look();
    drain();
    setInterval(look, LOOK_EVERY);
  }).catch(function () { show("wrong", words["station-no-disk"], ""); });
})();
