// Shows who scanned: each scan is signed with the key of the session in which it was made, so
// that it can be sent in whoever's session comes next. The keys lie in the outbox's store and
// cannot be read out of it. Browsers sign on pages that came over HTTPS only; elsewhere what
// was kept can be sent only while the same person is signed in, and counts from when it comes.
(function () {
  "use strict";

  var able = Boolean(window.crypto && window.crypto.subtle);
  var text = new TextEncoder();

  // A netstring: the bytes with their number before them.
  function part(value) {
    value = value === undefined || value === null ? "" : String(value);
    return text.encode(value).length + ":" + value + ",";
  }
  function message(scan) {
    var parts = ["wheelward scan 1", scan.station, scan.seq, scan.occurred_at, scan.line, scan.undoes, scan.person, scan.action];
    return text.encode(parts.map(part).join(""));
  }
  // Keeps a session's key for its scans, and those of scans that still wait.
  function begin(outbox, scans) {
    if (!able || !scans) { return Promise.resolve(); }
    var how = { name: "HMAC", hash: "SHA-256" };
    return window.crypto.subtle.importKey("raw", text.encode(scans.key), how, false, ["sign"])
      .then(function (key) { return outbox.keepKey(scans.session, key); })
      .catch(function () { /* as on a page that came without HTTPS */ });
  }
  function sign(outbox, scan) {
    if (!able || !scan.session) { return Promise.resolve(scan); }
    return outbox.key(scan.session).then(function (key) {
      if (!key) { return scan; }
      return window.crypto.subtle.sign("HMAC", key, message(scan)).then(function (signed) {
        scan.signature = Array.prototype.map.call(new Uint8Array(signed), function (byte) {
          return (byte < 16 ? "0" : "") + byte.toString(16);
        }).join("");
        return outbox.change(scan);
      });
    });
  }
  window.Signer = { begin: begin, sign: sign };
})();
