// Each level has a rhythm of its own.
(function () {
  "use strict";

  var audio = null;
  var TUNES = {
    ok: [[880, 0, 0.09], [1320, 0.1, 0.14]],
    next: [[660, 0, 0.08]],
    wait: [[520, 0, 0.06]],
    wrong: [[300, 0, 0.16], [300, 0.24, 0.16]],
    stop: [[220, 0, 0.25], [165, 0.28, 0.25], [220, 0.56, 0.25], [165, 0.84, 0.4]]
  };
  window.sound = function (level) {
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
  };
})();
