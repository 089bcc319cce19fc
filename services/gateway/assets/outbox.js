// What was scanned and not yet answered, on this device's own disk (IndexedDB). A scan counts
// as kept only when the browser says that it lies there, so that a killed browser loses none.
// Numbers are given out in the same transaction: two windows of one station share them.
(function () {
  "use strict";

  function done(transaction, value) {
    return new Promise(function (resolve, reject) {
      transaction.oncomplete = function () { resolve(value()); };
      transaction.onabort = transaction.onerror = function () { reject(transaction.error); };
    });
  }
  function Outbox(db, station) {
    this.db = db;
    this.station = station;
  }
  Outbox.open = function (station) {
    return new Promise(function (resolve, reject) {
      var asked = window.indexedDB.open("wheelward", 2);
      asked.onupgradeneeded = function (event) {
        if (event.oldVersion < 1) {
          asked.result.createObjectStore("scans", { keyPath: ["station", "seq"] });
          asked.result.createObjectStore("numbers");
        }
        asked.result.createObjectStore("keys");
      };
      asked.onblocked = function () { reject(new Error("open in another window")); };
      asked.onerror = function () { reject(asked.error); };
      asked.onsuccess = function () {
        // A newer version of this page, in another window, must be able to open it.
        asked.result.onversionchange = function () { asked.result.close(); };
        resolve(new Outbox(asked.result, station));
      };
    });
  };
  Outbox.prototype.begin = function () {
    return this.db.transaction(["scans", "numbers"], "readwrite", { durability: "strict" });
  };
  Outbox.prototype.mine = function () {
    return window.IDBKeyRange.bound([this.station, 0], [this.station, Infinity]);
  };
  // The number that is free: after those given, and none below `least`; or `least` itself.
  function number(transaction, station, least, use, afresh) {
    var numbers = transaction.objectStore("numbers");
    var asked = numbers.get(station);
    asked.onsuccess = function () {
      var next = afresh ? least : Math.max(asked.result || 1, least);
      numbers.put(next + use(next), station);
    };
  }
  // Keeps a scan under the next number.
  Outbox.prototype.add = function (scan, least) {
    var transaction = this.begin();
    scan.station = this.station;
    number(transaction, this.station, least, function (next) {
      scan.seq = next;
      transaction.objectStore("scans").put(scan);
      return 1;
    });
    return done(transaction, function () { return scan; });
  };
  // Keeps what has changed of a scan, unless it was forgotten meanwhile.
  Outbox.prototype.change = function (scan) {
    var transaction = this.begin();
    var scans = transaction.objectStore("scans");
    var asked = scans.getKey([scan.station, scan.seq]);
    asked.onsuccess = function () { if (asked.result) { scans.put(scan); } };
    return done(transaction, function () { return scan; });
  };
  // A session's key; those that no scan waits for are forgotten.
  Outbox.prototype.keepKey = function (session, key) {
    var transaction = this.db.transaction(["scans", "keys"], "readwrite");
    var keys = transaction.objectStore("keys");
    keys.put(key, session);
    var waiting = transaction.objectStore("scans").getAll();
    waiting.onsuccess = function () {
      var known = keys.getAllKeys();
      known.onsuccess = function () {
        known.result.forEach(function (other) {
          var needed = other === session || waiting.result.some(function (scan) { return scan.session === other; });
          if (!needed) { keys.delete(other); }
        });
      };
    };
    return done(transaction, function () { return key; });
  };
  Outbox.prototype.key = function (session) {
    var transaction = this.db.transaction("keys");
    var asked = transaction.objectStore("keys").get(session);
    return done(transaction, function () { return asked.result; });
  };
  // Every scan that is kept, oldest first.
  Outbox.prototype.all = function () {
    var transaction = this.db.transaction("scans");
    var asked = transaction.objectStore("scans").getAll(this.mine());
    return done(transaction, function () { return asked.result; });
  };
  Outbox.prototype.forget = function (seqs) {
    var transaction = this.begin();
    var station = this.station;
    seqs.forEach(function (seq) { transaction.objectStore("scans").delete([station, seq]); });
    return done(transaction, function () { return seqs; });
  };
  // Gives every kept scan a new number, from the one that the server waits for: it has seen
  // others under theirs, or none before them.
  Outbox.prototype.renumber = function (least) {
    var transaction = this.begin();
    var scans = transaction.objectStore("scans");
    var asked = scans.getAll(this.mine());
    var station = this.station;
    asked.onsuccess = function () {
      number(transaction, station, least, function (next) {
        var become = {};
        asked.result.forEach(function (scan, nth) { become[scan.seq] = next + nth; });
        asked.result.forEach(function (scan) { scans.delete([station, scan.seq]); });
        asked.result.forEach(function (scan) {
          scan.seq = become[scan.seq];
          scan.undoes = become[scan.undoes] || scan.undoes;
          scans.put(scan);
        });
        return asked.result.length;
      }, true);
    };
    return done(transaction, function () { return asked.result; });
  };
  window.Outbox = Outbox;
})();
