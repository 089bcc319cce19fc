# Was die Seiten auf Deutsch sagen. Jede Meldung steht auch in en.ftl; ein Test hält das fest.

## Um jede Seite
skip = Zum Inhalt
nav-label = Seiten
nav-today = Heute
nav-floor = Räume im Bild
nav-alerts = Warnungen
nav-rooms = Klima und Platz
nav-portions = Portionen
nav-find = Suchen
nav-station = Station
live-moved = Es gibt Neues: anzeigen
trouble-title = Das ging nicht
trouble-unread = Der Broker hat nicht rechtzeitig geantwortet. Es wurde nichts geändert: gleich noch einmal fragen.
trouble-unanswered = Der Broker hat nicht rechtzeitig geantwortet. Es ist unbekannt, ob es getan wurde: nachsehen, und wenn nicht, noch einmal tun.
trouble-home = Zum Anfang
close = Schließen
save = Speichern
part = { $first } bis { $last } von { $count }
part-before = Zurück
part-next = Weiter
more = und { $count } weitere
held = gesperrt
because = Weil:

## Tage und Zahlen
day = { $week } { $day }. { $month } { $year }
weekday-1 = Mo
weekday-2 = Di
weekday-3 = Mi
weekday-4 = Do
weekday-5 = Fr
weekday-6 = Sa
weekday-7 = So
month-1 = Jan.
month-2 = Feb.
month-3 = März
month-4 = April
month-5 = Mai
month-6 = Juni
month-7 = Juli
month-8 = Aug.
month-9 = Sept.
month-10 = Okt.
month-11 = Nov.
month-12 = Dez.
days = { $count ->
    [one] { $count } Tag
   *[other] { $count } Tage
}
wheels = { $count ->
    [one] { $count } Laib
   *[other] { $count } Laibe
}
wheels-of = { $count } von { $of } Laiben
minutes-of = { $minutes } von { $of } min

## Dinge und Maße
wheel = Laib
wheels-title = Laibe
batch = Charge
batches-title = Chargen
hoop = Form { $id }
stack = Stapel { $id }
stillage = Gestell { $id }
stands = Steht auf
room = Raum
room-none = in keinem Raum
age = Alter
made = Hergestellt
weight = Gewicht
turns = Gewendet
rind = Rinde bewachsen
blue = Blau im Kern
grade = Klasse
grade-a = A
grade-b = B
grade-c = C
grade-reject = Ausschuss
best-before = Mindestens haltbar bis
recipe = Rezept
milk = Milch
curd = Bruch
yield = Ausbeute
yield-per = Bruch aus 100 L
next = Als Nächstes
temperature = Luft
humidity = Feuchte
face-make-day = erste Seite oben
face-other = erste Seite unten

## Wie spät
urgency-ahead = später
urgency-due = fällig
urgency-overdue = überfällig
urgency-missed = versäumt

## Was zu tun ist
do-turn = Wenden
do-unhoop = Aus der Form nehmen
do-rub-up = Glatt streichen
do-bring = In Raum { $room } bringen
do-move = In Raum { $room } umstellen
do-look-at-rind = Rinde ansehen
do-pierce = Pikieren
do-iron = Anbohren
do-grade = Einstufen
do-dispatch = Versenden
do-find-it = Suchen
do-look-into = Klären
do-decide-on-it = Entscheiden
do-weigh-again = Nachwiegen
do-look-for-metal = Auf Metall prüfen
kind-turn = Wenden
kind-unhoop = Ausformen und glatt streichen
kind-rub_up = Glatt streichen
kind-place = In den Raum bringen
kind-rind_check = Rinde ansehen
kind-move_on = Weiterstellen
kind-pierce = Pikieren
kind-iron = Anbohren
kind-grade = Einstufen
kind-dispatch = Zum Versand richten

## Tätigkeiten an der Station
act-VAT = Kessel füllen
act-PORTION = Portionieren
act-TURN = Wenden
act-UNHOOP = Ausformen
act-RUBUP = Glatt streichen
act-LOAD = Beladen
act-MOVE = Umstellen
act-RIND = Rinde ansehen
act-PIERCE = Pikieren
act-IRON = Anbohren
act-GRADE = Einstufen
act-WEIGH = Wiegen
act-NEEDLES = Nadeln zählen
act-CHECKWEIGHT = Waage prüfen
act-HOLD = Sperren
act-RELEASE = Freigeben
act-RETURN = Zurücknehmen
act-DISPATCH = Versenden
act-DISCARD = Wegwerfen
act-UNDO = Rückgängig

## Anmelden
sign-in-title = Wer sind Sie?
sign-in = Anmelden
sign-in-hint = Ausweis scannen oder eintippen, dann die PIN. Ohne Ausweis oder PIN hilft die Leitung.
sign-out = { $name } abmelden
badge = Ausweis
pin = PIN
pin-new = Neue PIN
pin-other = Neue PIN, falls sie sich ändern soll
pin-hint = 4 bis 12 Ziffern, für die Leitung mindestens 6; keine Reihen oder Wiederholungen.
name = Name
setup-title = Die erste Leitung
setup-words = Hier kann sich noch niemand anmelden. Sie übernehmen die Leitung und lassen danach die anderen zu. Dieser Link gilt einmal.
setup-do = Leitung übernehmen

## Was jemand möchte
me-title = So möchten Sie es
wish-tongue = Sprache
wish-weight = Gewichte in
wish-temperature = Temperaturen in
wish-theme = Helligkeit
wish-hand = Der Daumen, der arbeitet
theme-device = wie das Gerät
theme-dark = dunkel, für kalte Räume
theme-light = hell, fürs Büro
hand-right = rechts
hand-left = links

## Leute
people-title = Leute
people-words = Wer sich anmelden darf, und was er darf. Aufzeichnungen behalten den Ausweis für immer; Name und PIN lassen sich löschen.
people-change = Ändern
people-locked = gesperrt
people-new = Jemanden zulassen
people-admit = Zulassen
people-erase = Löschen
people-erase-words = Löscht Name und PIN. Was unter dem Ausweis aufgezeichnet wurde, bleibt.
role = Aufgabe
roles-title = Was jeder darf
role-operator = Mitarbeit
role-operator-words = Zeichnet die Arbeit auf und sagt, was gegen Warnungen getan wird.
role-ironer = Prüfung
role-ironer-words = All das, und bohrt an und stuft ein.
role-manager = Leitung
role-manager-words = All das, gibt Gesperrtes frei, berichtigt Aufzeichnungen, lässt Leute und Geräte zu.
role-inspector = Aufsicht
role-inspector-words = Sieht alles an und zeichnet nichts auf.

## Geräte als Station
stations-title = Stationen
stations-words = Ein Tablet wird hier zur Station, am Tablet selbst. Was es aufzeichnet, trägt seinen Namen.
stations-none = Noch kein Browser ist eine Station. Öffnen Sie diese Seite an dem Tablet, das eine werden soll.
stations-by = zugelassen von { $badge }, { $at }
stations-this = dieses Gerät
stations-away = weggeschickt
stations-clock = Uhr geht { $seconds } s falsch: stellen
stations-send-away = Wegschicken
stations-new = Dieses Gerät zur Station machen
stations-code = Kürzel der Station
stations-name = Wo sie steht
stations-hint = Ein Kürzel, das keine andere Station hat, etwa tablet-1. Ein Gerät, das es vorher hatte, kann nicht mehr scannen.
stations-enrol = Zur Station machen

## Die Station
station-recorded = Eben aufgezeichnet
station-action = Eingestellt
station-choose = Was tun Sie?
station-numbers = Zahl oder Klasse
station-camera = Kamera
station-camera-none = Die Kamera geht nicht: im Browser erlauben oder den Scanner nehmen
station-camera-starts = Die Kamera wird gestartet
station-camera-aim = Den Code ins Bild halten, sodass er es halb füllt
station-camera-reader = Was Codes aus dem Bild liest, konnte nicht geholt werden: mit dem Scanner arbeiten, und mit der Kamera, wenn die Käserei erreichbar ist
station-field = Scannen oder eintippen
station-take = Übernehmen
station-delete = Letzte Ziffer löschen
station-ready = Bereit: scannen
station-scan-first = Tätigkeit wählen oder ihre Karte scannen
station-no-action = noch nichts
station-nothing = Noch nichts. Was Sie aufzeichnen, erscheint hier und lässt sich mit einem Griff zurücknehmen.
station-sent = alles gesendet
station-waiting = { "{n}" } hier behalten, noch nicht gesendet
station-kept = { "{n}" } auf diesem Gerät behalten
station-offline = Keine Verbindung: einfach weiterscannen
station-offline-asked = Nicht aufgezeichnet, und nichts darf hinaus oder freigegeben werden: Die Käserei ist nicht erreichbar, also kann niemand sagen, ob es darf. Warten, bis sie es ist, dann die Karte noch einmal scannen.
station-unanswered = Niemand hat geantwortet, also darf nichts hinaus oder freigegeben werden: Es geschieht nicht später von selbst. Sobald die Käserei erreichbar ist, sagt diese Seite, was daraus wurde.
station-done-after-all = Es wurde doch aufgezeichnet: { "{words}" }
station-over = Niemand ist mehr angemeldet: Diese Schicht ist vorbei, oder es wurde stundenlang nichts gescannt. Nicht aufgezeichnet: anmelden, wenn die Käserei erreichbar ist
station-offline-pin = Keine Verbindung: Eine PIN lässt sich nur mit Verbindung prüfen
station-no-disk = Dieser Browser behält nichts, darum wird nichts aufgezeichnet: privaten Modus verlassen oder dieser Seite das Speichern erlauben
station-no-worker = Diese Seite lässt sich ohne Verbindung nicht neu öffnen: über HTTPS bereitstellen
station-sign-in = Zum Aufzeichnen anmelden
station-pin-for = PIN zu Ausweis { "{badge}" }
station-person-none = niemand
station-undo = Zurück
station-undo-until = Zurück (bis { "{time}" })
station-undone = zurückgenommen
station-refused = abgewiesen, geschieht auch später nicht: { "{line}" }
station-manager-corrects = War es falsch, berichtigt es die Leitung, mit Begründung
station-elsewhere-title = In einem anderen Fenster offen
station-elsewhere = Diese Station ist auf diesem Gerät in einem anderen Fenster offen: dort weitermachen. Zwei Fenster würden gegeneinander arbeiten.
station-go-on-here = Stattdessen hier weitermachen
station-given-up = Nicht aufgezeichnet: { "{line}" }
station-wheels-one = { "{n}" } Laib
station-wheels-many = { "{n}" } Laibe
station-stop-kept = Nichts ist aufgezeichnet. Nichts darf hinaus: Laibe zur Seite stellen.
station-stop-gone = Sie sind als fort aufgezeichnet: Laibe zurückrufen.
station-stop-seen = Gesehen
level-ok = OK
level-next = WEITER
level-wrong = FALSCH
level-stop = HALT
level-wait = BEHALTEN

## Heute
today-plan = Die Gänge am { $day }
today-nothing = Heute ist nichts zu tun. Sobald ein Laib etwas braucht, steht es hier.
today-stops = { $count ->
    [one] { $count } Halt, { $minutes } min
   *[other] { $count } Halte, { $minutes } min
}
today-slipped = Was liegen blieb
today-slipped-none = Heute wurde nichts versäumt.
today-slipped-yet = Noch nichts: Die Arbeit des Tages ist erst später fällig.
today-risk = Gefährdet
today-risk-none = Nichts: Jeder Laib kann rechtzeitig bekommen, was er braucht.
today-unmet = Rechtzeitig nicht zu schaffen
today-fixes = Was helfen würde (eines davon)
today-saves = rettet { $count ->
    [one] { $count } Laib
   *[other] { $count } Laibe
}
today-postponed = Später als es sein sollte
today-lifting = Schweres Heben
today-waiting = Wartet auf anderes: { $count }
today-ahead = Die nächsten Tage
today-day = Tag
today-work = Arbeit der Leute
today-due = Was jetzt getan werden kann
today-advises = Der Plan rät; was gescannt wird, gilt.
today-crew-wrong = Es wird kein Plan gemacht: Die Crew-Datei ist nicht lesbar.
alerts-floor-away = Was der Boden selbst melden würde, ist gerade nicht bekannt:
today-no-crew = Es wird kein Plan gemacht: Nennen Sie unter [gateway] in der Betriebsdatei eine Crew-Datei. Das hier ist fällig.

## Die Räume
floor-empty = Hier steht noch kein Laib. Der erste, der portioniert wird, erscheint sofort.
floor-hoops = In der Form
floor-draining = { $count } in der Form
floor-strays = Gescannt, aber nie portioniert: { $count }
floor-strays-words = Sie zählen nirgends. Nachsehen, was gescannt wurde: portionieren oder den falschen Eintrag zurücknehmen.
floor-between = Zwischen den Räumen
floor-loose = auf nichts Bekanntem
floor-places = { $taken } von { $of } Plätzen belegt
floor-when = Tag
floor-show = Zeigen
floor-now = Jetzt
floor-then = So stand es am { $time }
floor-ahead = Am { $time }, wenn bis dahin nichts geschieht
floor-free = { $count ->
    [one] { $count } Platz frei
   *[other] { $count } Plätze frei
}
floor-held = { $count } gesperrt
stand-empty = Nach den Aufzeichnungen steht hier nichts.

## Ein Laib
wheel-title = Laib { $wheel }
wheel-held = Gesperrt: Er darf erst gehen, wenn ihn jemand mit Namen freigibt.
wheel-dispatched = Er hat den Betrieb verlassen.
wheel-discarded = Er wurde weggeworfen.
wheel-gone = ist fort
wheel-next = Was er braucht
wheel-next-none = Nichts ist zu tun.
wheel-by = bis { $time }
wheel-life = Sein Leben
wheel-claim = vom Gerät seit { $claimed } aufbewahrt; empfangen { $received }
wheel-claim-not = das Gerät gab { $claimed } an; gilt ab dem Empfang { $received }
wheel-line = Sein Leben von { $from } bis { $to }
wheel-line-hint = Balken sind Räume, kurze Striche sind Wendungen, Punkte alles andere. Die Liste darunter sagt es in Worten.
wheel-corrected = { $count ->
    [one] { $count } Aufzeichnung wurde berichtigt.
   *[other] { $count } Aufzeichnungen wurden berichtigt.
}
corrections-title = Berichtigungen
corrections-here = Berichtigungen zu dem, was hier steht
corrections-words = Eine Aufzeichnung wird nie geändert. Eine falsche ist hier und bei ihrem Laib durchgestrichen und gilt als nie geschehen.
corrections-none = Noch wurde nichts berichtigt.
corrections-who = Wer was zurücknehmen darf
corrections-own = Wer es aufgezeichnet hat, nimmt es an derselben Station zurück, als letzte eigene Aufzeichnung dort und binnen { $minutes } Minuten: { $actions }.
corrections-managers = Nur die Leitung nimmt dies zurück, mit Begründung, auf der Seite des Laibs oder der Charge: { $actions }; nicht bestandene Prüfungen; was das Büro einträgt; und alles nach { $minutes } Minuten. Es schützt Menschen.
rights-kind = Art der Tatsache
rights-role = Erfasst von, oder darüber
rights-known = Bekannt durch
rights-back = Zurückgenommen von
rights-workers = Wheelwards eigene Dienste
rights-none = –
rights-nobody = Ausweis, wo Ausweise genannt sind
rights-badge = Ausweis
rights-pin = Ausweis und PIN
rights-owner = wer es erfasst hat, oder die Leitung
rights-manager = nur die Leitung, mit Begründung
rights-releaser = nur wer in der Leitung Sperren aufheben darf, mit Begründung
rights-unless-wheel-dispatched = ohne Auftrag erfasst sie nur die angemeldete Leitung
rights-unless-wheel-graded = REJECT nur die Leitung
rights-unless-tool-checked = eine misslungene nur, wer in der Leitung Sperren aufheben darf
wheel-corrected-show = Anzeigen
wheel-corrected-hide = Ausblenden
voided = gilt als nie geschehen:
correct = Berichtigen
correct-words = Die Aufzeichnung bleibt lesbar, gilt aber als nie geschehen, für jeden Laib, den sie nennt: wird das Ende einer Sperre zurückgenommen, besteht die ganze Sperre wieder. Zeichnen Sie danach auf, was wirklich geschah.
correct-reason = Warum sie falsch ist
correct-do = Das ist nicht geschehen

## Eine Charge
batch-title = Charge { $batch }
batch-ready = Ganz durchgeblaut
batch-not-ready = noch nicht
batch-spread = Portionsgewichte
batch-spread-none = Daraus wurde noch kein Laib portioniert.
batch-spread-words = Von { $least } bis { $most }, im Mittel { $mean }.
batch-outside = { $count ->
    [0] Keiner liegt außerhalb der Toleranz des Rezepts.
    [one] { $count } liegt außerhalb der Toleranz des Rezepts.
   *[other] { $count } liegen außerhalb der Toleranz des Rezepts.
}
batch-record = Kesselbuch
batch-record-none = Im Kesselbuch steht noch nichts.
batch-wheels-none = Daraus wurde noch kein Laib portioniert.
batch-to-iron = diesen anbohren

## Portionen
portions-none = Noch keine Charge wurde portioniert.
portions-least = Leichtester
portions-mean = Mittel
portions-most = Schwerster
portions-aim = Rezept
portions-outside = Außerhalb

## Räume
rooms-none = Die Betriebsdatei nennt keinen Raum.
rooms-no-air = Es kam noch keine Messung der Luft an.
rooms-inside = richtig
rooms-outside = außerhalb
rooms-range = soll { $least } bis { $most } sein
rooms-read = Letzte Messung
rooms-overflow = Überfüllt ab { $day }
rooms-fits = In den nächsten { $days } Tagen passt alles
rooms-fullest = höchstens { $taken } von { $of } Plätzen
rooms-chart = Belegte Plätze in { $room }, Tag für Tag; die gestrichelte Linie zeigt, wie viele es gibt
rooms-counted = Gestelle; gezählt, als zögen sie an ihrem Fälligkeitstag um und gingen am letzten Tag ihres Versandfensters.

## Warnungen
alerts-none = Nach den Aufzeichnungen ist alles in Ordnung.
alerts-missing = { $count } Aufzeichnungen, die Stationen nummeriert haben, sind nie angekommen. Sehen Sie nach der Verbindung der Station.
alerts-worse = ist schlimmer geworden
alerts-since = seit { $time }
alerts-seen = gesehen von
alerts-acknowledge = Sagen, was getan wird
alerts-again = Mehr dazu sagen
alerts-note = Was dagegen getan wird
alerts-do = Mit meinem Namen aufzeichnen

## Suchen
find-label = Ein Kürzel, ein Los, ein Tag oder ein Kunde
find-hint = Zum Beispiel 311-04, S07, H12, ein Milchlos, eine Bestellung oder 3.3.2026.
find-customers = Kunden
find-customer-waits = Ihnen ist noch kein Laib zugesagt oder gesandt.
found-lot = Los { $code }
found-order = Auftrag { $code }
found-hold = Sperre { $code }
found-person = Ausweis { $code }
found-tool = Werkzeug { $code }
found-vat = Kessel { $code }
found-sample = Probe { $code }
found-deviation = Abweichung { $code }
found-hoop = Form { $code }: zurzeit leer
found-stack = Stapel { $code }: zurzeit leer
found-stillage = Gestell { $code }: zurzeit leer
find-none = Nichts heißt „{ $q }“. Sehen Sie auf die Karte.

## Rückruf
recall-title = Rückruf
recall-words = Alles, was daraus gemacht wurde, alles, was damit in Berührung kam, und wer es hat. Die Liste zeigt, was die Aufzeichnungen sagen; was zurückgerufen wird, entscheidet die Person, die Ihr HACCP-Plan nennt, mit Ihrer Behörde und Ihrem Labor.
recall-what = Worum es geht
recall-lot = Los
recall-batch = Charge
recall-wheel = Laib
recall-code = Kennung
recall-contact = Berührung
recall-contact-yes = mit verfolgen
recall-contact-no = nur was daraus gemacht ist
recall-do = Verfolgen
recall-as-of = Stand { $time }
recall-none = Nach den Aufzeichnungen ist kein Laib betroffen.
recall-level = Wie sicher
recall-levels = Sicher: das Verdächtige ist darin. Wahrscheinlich: er berührte zeitnah dieselbe Fläche. Möglich: er teilte die Luft, oder eine Fläche mit zeitlichem Abstand.
recall-is-certain = sicher
recall-is-probable = wahrscheinlich
recall-is-possible = möglich
recall-at-in-stock = im Haus
recall-at-in-transit = unterwegs
recall-at-delivered = ausgeliefert
recall-at-refused = abgelehnt, auf dem Rückweg
recall-at-eaten = als Probe verbraucht
recall-at-reworked = wiederverarbeitet
recall-at-discarded = weggeworfen
recall-at-not-seen = seit Tagen nicht gesehen
recall-balance = Von den sicheren Laiben wurden { $portioned } abgefüllt; { $unexplained } sind nicht erklärt.
recall-notices = Schreiben an Kunden (Entwurf)
recall-sheets = Rückverfolgungslisten
recall-epcis = EPCIS
recall-batch-file = Akte der Charge { $batch }
recall-hold = Alles davon sperren
recall-customers = Wer verständigt werden muss
recall-nobody = Nichts hat das Haus verlassen: kein Kunde muss verständigt werden.
recall-customer = Kunde
recall-order = Auftrag
recall-arrived = Angekommen
recall-left = Ging ab
recall-unknown = NICHT BEKANNT
recall-where = Er ist
recall-because = Weil
recall-left-out = { $count } weitere Laibe sind in den Summen und hier nicht aufgeführt: die Befehlszeile führt alle auf.
recall-back = Woraus es gemacht ist
recall-back-none = Es ist kein Los aufgezeichnet.
recall-of = Was
recall-supplier = Von
recall-came-in = Kam an
recall-with = Mit
recall-people = In den Händen der Ausweise { $badges }
recall-mind = Bedenken Sie

## Sperren über mehr als einen Laib
holds-title = Sperren
holds-words = Nichts unter einer Sperre verlässt das Haus; was später darunter fällt, ist von da an gesperrt. Nur eine benannte Person mit dem Recht dazu hebt sie auf.
holds-none = Keine Sperre hält einen Laib.
holds-anyone = Jeder mit einem Ausweis darf Laibe aus einer Sperre freigeben.
holds-only = Nur diese Ausweise dürfen Laibe aus einer Sperre freigeben: { $badges }.
holds-of-recipe = jeder Laib von { $recipe } beginnt unter ihr
holds-of-recipe-end = Jeder Laib wird freigegeben, wenn von ihm bekannt ist, was verlangt wird: an einer Station mit Freigeben.
holds-on-wheels = einzelne Laibe
holds-by = Ausweis { $badge }
holds-left = { $count } haben das Haus trotzdem verlassen, zurückrufen:
holds-new = Sperren
holds-code = Kennung der Sperre
holds-reason = Warum
holds-place = Sperren
holds-kept = { $count ->
    [0] Bisher hält sie 0 Laibe.
    [one] Sie hält { $count } Laib:
   *[other] Sie hält { $count } Laibe:
}
holds-untraced = Noch wird ermittelt, welche Laibe sie sperrt: in dieser Liste können noch Laibe fehlen, und bis dahin darf kein Laib den Betrieb verlassen. Dauert das Minuten, nachsehen, ob der Dienst records läuft.
holds-behind = Seither wurden Laibe portioniert, für die noch ermittelt wird, ob sie darunter fallen: sie können in dieser Liste noch fehlen, und bis dahin dürfen sie den Betrieb nicht verlassen. Dauert das Minuten, nachsehen, ob der Dienst records läuft.
holds-owed = { $count } weitere fallen darunter und sind gesperrt, auch wenn die Aufzeichnungen es noch nicht sagen:
holds-let-go = { $count } wurden einzeln freigegeben:
holds-no-right = { $count } gab jemand ohne das Recht dazu frei: die Sperre besteht.
holds-end = Diese Sperre aufheben
holds-end-words = Jeder Laib, den sie hält, wird mit Ihrem Namen und Grund freigegeben. Nur wenn Ihr HACCP-Plan und Ihr Labor es erlauben.
holds-end-do = Mit meinem Namen aufheben
holds-end-all = Alle { $holds } Sperren mit der Kennung { $hold } enden zusammen, mit { $count } Laiben.
holds-end-unread = Sperre { $hold } wurde nicht aufgehoben: die Seite sagte nicht, was sie gezeigt hat. Die Seite Sperren neu öffnen, lesen, was die Sperre hält, und dort aufheben.
holds-end-changed = Sperre { $hold } wurde nicht aufgehoben, denn sie ist nicht mehr, was Ihre Seite zeigte: damals { $holds-then ->
    [one] eine Sperre mit { $then } Laiben
   *[other] { $holds-then } Sperren mit { $then } Laiben
}, jetzt { $holds-now ->
    [one] eine Sperre mit { $now } Laiben
   *[other] { $holds-now } Sperren mit { $now } Laiben
}, womöglich andere. Die Seite Sperren neu öffnen, lesen, was sie jetzt hält, und dort aufheben.
holds-end-unfinished = Sperre { $hold } wurde nicht aufgehoben: noch wird ermittelt, welche Laibe sie hält. Warten, bis die Seite Sperren alle zeigt, dann aufheben. Dauert das Minuten, nachsehen, ob der Dienst records läuft.

## Was das Büro aufschreibt
entry-title = Aufschreiben
entry-words = Was keine Station scannt: Lose, die Herstellung, Proben und Befunde, Prüfungen und Abweichungen. Alles wird mit Ihrem Namen aufgezeichnet.
entry-now = Es wird mit der jetzigen Zeit aufgezeichnet.
entry-do = Mit meinem Namen aufzeichnen
entry-may = falls bekannt
entry-milk-received = Milch kam an
entry-milk-screened = Milch wurde untersucht
entry-milk-pasteurised = Milch wurde erhitzt
entry-lot-received = Ein Los kam an
entry-vat-filled = Milch kam in einen Kessel
entry-vat-dosed = Kultur, Lab oder Salz kam hinein
entry-vat-measured = Ein Kessel wurde gemessen
entry-vat-cut = Der Bruch wurde geschnitten
entry-vat-drained = Die Molke wurde abgezogen
entry-vat-milled = Der Bruch wurde gemahlen
entry-vat-recipe-changed = Eine Charge geht nach einem anderen Rezept weiter
entry-vat-closed = Die Herstellung ist beendet
entry-lot-used = Überzug oder Hülle kam auf Laibe
entry-tool-sanitised = Etwas wurde desinfiziert
entry-control-checked = Eine Prüfung wurde gemacht
entry-deviation-found = Etwas war nicht wie geplant
entry-deviation-decided = Was geschieht, wurde entschieden
entry-lab-sampled = Eine Käseprobe wurde genommen
entry-lab-swabbed = Eine Fläche wurde abgestrichen
entry-lab-resulted = Ein Befund kam
field-lot = Los
field-batch = Charge
field-recipe = Rezept, nach dem sie weitergeht
field-recipe-version = Version dieses Rezepts
field-reason = Warum
field-note = Anmerkung
field-test = Untersucht auf
field-sample = Probe
field-wheels = Laibe, mit Kommas dazwischen
field-supplier = Lieferant
field-volume-l = Liter
field-temperature-c = Temperatur, °C
field-fat-pct = Fett, %
field-protein-pct = Eiweiß, %
field-supplier-lot = Deren Kennung
field-document-kind = Kam mit (Art des Papiers)
field-document-number = Nummer des Papiers
field-passed = Sie darf verwendet werden
field-held-s = Gehalten, Sekunden
field-kind = Was es ist
field-product = Ware, wie auf dem Etikett
field-use-by = Letzter Tag
field-ingredient = Was hineinkam
field-amount = Menge: Gramm, von Lab Milliliter
field-reading-ph = pH
field-reading-acidity-dornic = Säure, °D
field-reading-temperature-c = Temperatur, °C
field-whey-l = Liter Molke
field-tool = Werkzeug, Kessel, Horde oder Form
field-method = Wie
field-control = Die Prüfung, wie die Sicherheitsdatei sie nennt
field-about-batch = Charge, um die es geht
field-about-lot = Los, um das es geht
field-value = Was gemessen wurde
field-in-order = In Ordnung
field-found = Was gefunden wurde
field-wanted = Was der Plan verlangt
field-deviation = Name der Aufzeichnung, was gefunden wurde
field-action = Was getan wird
field-consequence = Was aus dem Lebensmittel wird
field-plan = Probenplan, wie die Sicherheitsdatei ihn nennt
field-taken-g = Gramm Käse verbraucht
field-room = Raum
field-point = Wo genau
field-zone = Zone: 1 berührt Käse, 4 ist außerhalb
field-units = Wert jeder Einheit, mit Kommas dazwischen
field-verdict = Urteil
field-report = Nummer des Berichts
choice-yes = ja
choice-no = nein
choice-culture = Kultur
choice-rennet = Lab
choice-salt = Salz
choice-coating = Überzug
choice-packaging = Verpackung
choice-other = etwas anderes
choice-goes-on = die Herstellung geht weiter
choice-treated-again = nochmals behandelt
choice-held = gesperrt
choice-discarded = weggeworfen
choice-satisfactory = zufriedenstellend
choice-acceptable = akzeptabel
choice-unsatisfactory = unbefriedigend

## Bestellungen
nav-orders = Aufträge
orders-title = Aufträge und Versand
orders-short = Was fehlt, und warum
orders-none-short = Von dem, was bestellt ist, fehlt nichts.
orders-arrives-on = Ankunft { $day }
orders-short-of = { $count ->
    [one] { $count } Laib fehlt
   *[other] { $count } Laibe fehlen
}
orders-options = Was helfen würde, jedes für sich:
orders-fortnight = Was in den nächsten zwei Wochen das Haus verlässt
orders-fortnight-chart = Laibe, die in den nächsten zwei Wochen das Haus verlassen, nach Weg und Tag; darunter als Liste
orders-fortnight-words = Gefüllt: eingestufte Laibe. Umrandet: Laibe, die bis dahin reif erwartet werden.
orders-fortnight-list = Als Liste
orders-nothing-leaves = In den nächsten zwei Wochen verlässt nichts das Haus.
orders-leaves = Abfahrt
orders-lane = Mit
orders-customer = Kunde
orders-grade = Mindestens Klasse
orders-ask = Ist es möglich?
orders-ask-do = Fragen
orders-by = Soll ankommen bis
orders-promise-words = Eine Auskunft reserviert nichts: Auftrag erfassen.
orders-all = Aufträge
orders-none = Noch kein Auftrag ist erfasst.
orders-none-open = Kein Auftrag ist offen.
orders-over = { $count } ohne Offenes
orders-order = Auftrag
orders-next = Nächste Ankunft
orders-lines = Bestellt
orders-stands = Stand
orders-again = { $weeks ->
    [one] jede Woche
   *[other] alle { $weeks } Wochen
}
orders-cancelled = storniert
orders-told = Kunde weiß Bescheid
orders-sure = zu { $percent } % sicher
orders-sent = { $count ->
    [one] { $count } Laib gesendet
   *[other] { $count } Laibe gesendet
}
orders-do = Zugesagt oder storniert
orders-confirm = Dem Kunden wurde gesagt, was kommt
orders-confirm-words = Von da an hält sich die Zuteilung daran.
orders-reason = Warum
orders-cancel = Auftrag stornieren
orders-new = Auftrag erfassen
orders-number = Nummer des Auftrags
orders-wheels = Laibe (oder unten Kilogramm)
orders-kg = Kilogramm insgesamt
orders-arrive-on = Muss ankommen am
orders-every = Kommt wieder alle so viele Wochen (leer: einmal)
orders-place = Erfassen
orders-form-words = Aufträge mit mehreren Zeilen, Gewichten, Altern oder Grenzen beim Mischen: Tabelle einlesen, siehe wheelward orders import.
orders-advises = Die Zuteilung rät; nur ein Scan beim Versand sendet einen Laib.

## Was erwartet wird
forecast-title = Wann sie reif ist
forecast-iron = Zum Bohren, der aufschlussreichste Laib zuerst:
forecast-what-if = Was wäre wenn …
forecast-room = Ein Raum ist wärmer oder kälter
forecast-as-it-is = wie er ist
forecast-by = Um wie viele °C (unter 0: kälter)
forecast-days = Für wie viele Tage (leer: dauerhaft)
forecast-pierce = Wie viele Tage später pikiert (unter 0: früher)
forecast-try = Zeigen, was sich ändert
forecast-advises = Eine Vorhersage gibt nichts frei: Das tun Menschen nach dem eigenen Plan der Käserei.
forecast-weight = Was er wiegt und wiegen wird
forecast-weeks = Wie viele reif werden, Woche für Woche
rooms-weeks = Die letzten vier Wochen zeigen

## Kennungen, die niemand kennt
unknown-near = { $none }; meinten Sie { $near }?
unknown-check = { $none }, auch keine ähnliche Kennung: prüfen Sie sie.
unknown-empty = { $none }: noch ist nichts dieser Art bekannt.
unknown-or = oder
unknown-alert = Es gibt keine Meldung { $code }
unknown-batch = Es gibt keine Charge { $code }
unknown-batch-or-wheel = Es gibt weder Charge noch Laib { $code }
unknown-carrier = Es gibt keinen Träger { $code }
unknown-case = Es gibt keinen Karton { $code }
unknown-check-of-plan = Es gibt keine Prüfung { $code }
unknown-customer = Es gibt keinen Kunden { $code }
unknown-deviation = Es gibt keine Abweichung { $code }
unknown-form = Es gibt kein Formular { $code }
unknown-hold = Es gibt keine Sperre { $code }
unknown-hoop = Es gibt keine Form { $code }
unknown-label = Es gibt kein Etikett { $code }
unknown-lane = Es gibt keinen Weg { $code }
unknown-lot = Es gibt kein Los { $code }
unknown-market = Es gibt keinen Markt { $code }
unknown-order = Es gibt keinen Auftrag { $code }
unknown-paper = Es gibt kein Papier { $code }
unknown-person = Es gibt niemanden mit dem Ausweis { $code }
unknown-place = Es gibt keinen Platz { $code }
unknown-printer = Es gibt keinen Drucker { $code }
unknown-recipe = Es gibt kein Rezept { $code }
unknown-record = Es gibt keine Aufzeichnung { $code }
unknown-room = Es gibt keinen Raum { $code }
unknown-sample = Es gibt keine Probe { $code }
unknown-stack = Es gibt keinen Stapel { $code }
unknown-station = Es gibt keine Station { $code }
unknown-stillage = Es gibt kein Gestell { $code }
unknown-tool = Es gibt kein Werkzeug { $code }
unknown-vat = Es gibt keinen Kessel { $code }
unknown-wheel = Es gibt keinen Laib { $code }
holds-not-yet = Es kam an oder wurde gemacht, nur hat es noch niemand aufgeschrieben: trotzdem sperren, bisher hält die Sperre 0 Laibe
entry-not-yet = Was hier genannt ist, ist noch nicht aufgeschrieben: trotzdem aufzeichnen
find-near = Meinten Sie
