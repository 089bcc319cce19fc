// The camera as a scanner: the browser's own reader of codes where it knows ours, else a
// WebAssembly decoder, which is fetched when the camera is first used and kept from then on.
(function () {
  "use strict";
  var FORMATS = { data_matrix: "DataMatrix", qr_code: "QRCode", code_128: "Code128" };
  var PAUSE = 60; // ms between looks, so that an old tablet also draws the picture
  var WIDEST = 1280; // px looked at
  var reader = null;

  function fetched(path) {
    return new Promise(function (resolve, reject) {
      var script = document.createElement("script");
      script.src = path;
      script.onload = resolve;
      script.onerror = reject;
      document.head.appendChild(script);
    });
  }
  function native() {
    if (!window.BarcodeDetector) { return Promise.resolve(null); }
    return window.BarcodeDetector.getSupportedFormats().then(function (known) {
      var ours = Object.keys(FORMATS);
      if (!ours.every(function (format) { return known.indexOf(format) >= 0; })) { return null; }
      var detector = new window.BarcodeDetector({ formats: ours });
      return function (video) {
        return detector.detect(video).then(function (codes) { return codes.length ? codes[0].rawValue : ""; });
      };
    }).catch(function () { return null; });
  }
  function vendored() {
    return fetched("/assets/zxing_reader.js").then(function () {
      return window.ZXingWASM.prepareZXingModule({
        overrides: { locateFile: function (name) { return "/assets/" + name; } },
        fireImmediately: true
      });
    }).then(function () {
      var canvas = document.createElement("canvas");
      var brush = canvas.getContext("2d", { willReadFrequently: true });
      var how = {
        formats: Object.keys(FORMATS).map(function (format) { return FORMATS[format]; }),
        maxNumberOfSymbols: 1, textMode: "Plain"
      };
      return function (video) {
        var shrink = Math.min(1, WIDEST / video.videoWidth);
        canvas.width = Math.round(video.videoWidth * shrink);
        canvas.height = Math.round(video.videoHeight * shrink);
        brush.drawImage(video, 0, 0, canvas.width, canvas.height);
        var picture = brush.getImageData(0, 0, canvas.width, canvas.height);
        return window.ZXingWASM.readBarcodes(picture, how).then(function (codes) {
          // The identifier in front tells a GS1 symbol from another, as scanners tell it.
          return codes.length ? codes[0].symbologyIdentifier + codes[0].text : "";
        });
      };
    });
  }
  function ready() {
    reader = reader || native().then(function (own) { return own || vendored(); });
    reader.catch(function () { reader = null; }); // fetched again the next time
    return reader;
  }

  // Looks into `video` until a code is found or `stop` of what is returned is called. `tell`
  // hears "aim" when it looks, "none" without a camera, "reader" without a decoder.
  function look(video, found, tell) {
    var stream = null;
    var over = false;
    function stop() {
      over = true;
      if (stream) { stream.getTracks().forEach(function (track) { track.stop(); }); }
      video.srcObject = null;
    }
    function fail(what) { if (!over) { stop(); tell(what); } }
    function step(read) {
      if (over) { return; }
      if (!video.videoWidth) { setTimeout(step, PAUSE, read); return; }
      read(video).catch(function () { return ""; }).then(function (line) {
        if (over) { return; }
        if (line) { stop(); found(line); } else { setTimeout(step, PAUSE, read); }
      });
    }
    var wish = { facingMode: "environment", width: { ideal: WIDEST } };
    navigator.mediaDevices.getUserMedia({ video: wish }).then(function (opened) {
      stream = opened;
      if (over) { stop(); return; }
      video.srcObject = stream;
      video.play().catch(function () { /* closed before it began */ });
      ready().then(function (read) {
        if (!over) { tell("aim"); step(read); }
      }, function () { fail("reader"); });
    }, function () { fail("none"); });
    return { stop: stop };
  }
  window.Camera = { look: look };
})();
