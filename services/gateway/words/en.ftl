# What the pages say, in English. Every message is in de.ftl as well; a test holds that.

## Around every page
skip = Skip to the content
nav-label = Pages
nav-today = Today
nav-floor = Floor
nav-alerts = Alerts
nav-rooms = Rooms
nav-portions = Portions
nav-find = Find
nav-station = Station
live-moved = Something new happened: show it
trouble-title = That did not work
trouble-unread = The broker did not answer in time. Nothing was changed: ask again in a moment.
trouble-unanswered = The broker did not answer in time. It is unknown whether it was done: look, then do it again if it was not.
trouble-home = Back to the start
close = Close
save = Save
part = { $first } to { $last } of { $count }
part-before = Before
part-next = Next
more = and { $count } more
held = held
because = Because:

## Days and counts
day = { $week } { $day } { $month } { $year }
weekday-1 = Mon
weekday-2 = Tue
weekday-3 = Wed
weekday-4 = Thu
weekday-5 = Fri
weekday-6 = Sat
weekday-7 = Sun
month-1 = Jan
month-2 = Feb
month-3 = Mar
month-4 = Apr
month-5 = May
month-6 = Jun
month-7 = Jul
month-8 = Aug
month-9 = Sep
month-10 = Oct
month-11 = Nov
month-12 = Dec
days = { $count ->
    [one] { $count } day
   *[other] { $count } days
}
wheels = { $count ->
    [one] { $count } wheel
   *[other] { $count } wheels
}
wheels-of = { $count } of { $of } wheels
minutes-of = { $minutes } of { $of } min

## Things and measures
wheel = Wheel
wheels-title = Wheels
batch = Batch
batches-title = Batches
hoop = hoop { $id }
stack = stack { $id }
stillage = stillage { $id }
stands = Stands on
room = Room
room-none = in no room
age = Age
made = Made
weight = Weight
turns = Turns
rind = Rind cover
blue = Blue through the core
grade = Grade
grade-a = A
grade-b = B
grade-c = C
grade-reject = Reject
best-before = Best before
recipe = Recipe
milk = Milk
curd = Curd
yield = Yield
yield-per = of curd from 100 L
next = Next
temperature = Air
humidity = Humidity
face-make-day = make-day face up
face-other = make-day face down

## How late
urgency-ahead = ahead
urgency-due = due
urgency-overdue = overdue
urgency-missed = missed

## What is to be done
do-turn = Turn
do-unhoop = Unhoop
do-rub-up = Rub up
do-bring = Bring to { $room }
do-move = Move to { $room }
do-look-at-rind = Look at the rind
do-pierce = Pierce
do-iron = Iron
do-grade = Grade
do-dispatch = Dispatch
do-find-it = Find it
do-look-into = Look into
do-decide-on-it = Decide on it
do-weigh-again = Weigh again
do-look-for-metal = Look for metal
kind-turn = Turn
kind-unhoop = Unhoop and rub up
kind-rub_up = Rub up
kind-place = Bring to its room
kind-rind_check = Look at the rind
kind-move_on = Move on
kind-pierce = Pierce
kind-iron = Iron
kind-grade = Grade
kind-dispatch = Make ready for dispatch

## Actions at a station
act-VAT = Fill a vat
act-PORTION = Portion
act-TURN = Turn
act-UNHOOP = Unhoop
act-RUBUP = Rub up
act-LOAD = Load
act-MOVE = Move
act-RIND = Look at rind
act-PIERCE = Pierce
act-IRON = Iron
act-GRADE = Grade
act-WEIGH = Weigh
act-NEEDLES = Count needles
act-CHECKWEIGHT = Check the scale
act-HOLD = Hold
act-RELEASE = Release
act-RETURN = Take back
act-DISPATCH = Dispatch
act-DISCARD = Throw away
act-UNDO = Undo

## Signing in
sign-in-title = Who are you?
sign-in = Sign in
sign-in-hint = Scan your badge or type it, then your PIN. Without a badge or with a forgotten PIN, ask a manager.
sign-out = Sign out { $name }
badge = Badge
pin = PIN
pin-new = New PIN
pin-other = New PIN, if it is to change
pin-hint = 4 to 12 digits, for a manager at least 6; no runs or repeats.
name = Name
setup-title = The first manager
setup-words = Nobody can sign in here yet. You become the manager, and let the others in afterwards. This link works once.
setup-do = Become the manager

## What a person wants
me-title = How you want it
wish-tongue = Language
wish-weight = Weights in
wish-temperature = Temperatures in
wish-theme = Light
wish-hand = The thumb that works
theme-device = as the device
theme-dark = dark, for cold rooms
theme-light = bright, for the office
hand-right = right
hand-left = left

## People
people-title = People
people-words = Who may sign in, and what they may do. Records keep a badge for ever; name and PIN can be erased.
people-change = Change
people-locked = locked
people-new = Let someone in
people-admit = Let in
people-erase = Erase
people-erase-words = Erases name and PIN. What was recorded under the badge stays recorded.
role = Role
roles-title = What each may do
role-operator = Operator
role-operator-words = Records the work of the floor and says what is done about alerts.
role-ironer = Ironer
role-ironer-words = All of that, and irons and grades.
role-manager = Manager
role-manager-words = All of that, releases holds, corrects records, lets people and devices in.
role-inspector = Inspector
role-inspector-words = Looks at everything and records nothing.

## Devices that are stations
stations-title = Stations
stations-words = A tablet becomes a station here, on the tablet itself. What it records carries its code.
stations-none = No browser is a station yet. Open this page on the tablet that is to become one.
stations-by = let in by { $badge }, { $at }
stations-this = this device
stations-away = sent away
stations-clock = its clock is off by { $seconds } s: set it
stations-send-away = Send away
stations-new = Make this device a station
stations-code = Code of the station
stations-name = Where it stands
stations-hint = A code that no other station has, such as tablet-1. A device that had it before can no longer scan.
stations-enrol = Make it a station

## The station page
station-recorded = Just recorded
station-action = Action set
station-choose = What are you doing?
station-numbers = Number or grade
station-camera = Camera
station-camera-none = The camera cannot be used: allow it in the browser, or use the scanner
station-camera-starts = The camera is being started
station-camera-aim = Hold the code into the picture, filling half of it
station-camera-reader = What reads codes from the picture could not be fetched: use the scanner, and the camera when the dairy can be reached
station-field = Scan, or type a code
station-take = Take it
station-delete = Delete the last digit
station-ready = Ready: scan
station-scan-first = Choose an action, or scan its card
station-no-action = none yet
station-nothing = Nothing yet. What you record appears here, and can be taken back with one tap.
station-sent = all sent
station-waiting = { "{n}" } kept here, not yet sent
station-kept = { "{n}" } kept on this device
station-offline = Out of reach: go on scanning
station-offline-asked = Not recorded, and nothing may leave or be released: the dairy cannot be reached, so nobody can say whether it may. Wait until it can, then scan the card again.
station-unanswered = Nobody answered, so nothing may leave or be released: it is not done later by itself. As soon as the dairy can be reached this page says what came of it.
station-done-after-all = It was recorded after all: { "{words}" }
station-over = Nobody is signed in any longer: this shift is over, or nothing was scanned for hours. Not recorded: sign in when the dairy can be reached
station-offline-pin = Out of reach: a PIN can only be checked when the dairy can be reached
station-no-disk = This browser keeps nothing, so nothing is recorded: leave its private mode, or let it store data for this page
station-no-worker = This page cannot be opened again while out of reach: serve it over HTTPS
station-sign-in = Sign in to record
station-pin-for = PIN for badge { "{badge}" }
station-person-none = nobody
station-undo = Undo
station-undo-until = Undo (until { "{time}" })
station-undone = undone
station-refused = refused, and not done later: { "{line}" }
station-manager-corrects = If it was wrong, a manager corrects it, with a reason
station-elsewhere-title = Open in another window
station-elsewhere = This station is open in another window of this device: go on there. Two windows would work against each other.
station-go-on-here = Go on here instead
station-given-up = Not recorded: { "{line}" }
station-wheels-one = { "{n}" } wheel
station-wheels-many = { "{n}" } wheels
station-stop-kept = Nothing is recorded. Nothing may leave: set the wheels aside.
station-stop-gone = They are recorded as gone: call the wheels back.
station-stop-seen = I have seen it
level-ok = OK
level-next = NEXT
level-wrong = WRONG
level-stop = STOP
level-wait = KEPT

## Today
today-plan = The walks of { $day }
today-nothing = Nothing is asked for today. Wheels appear here as soon as one needs something.
today-stops = { $count ->
    [one] { $count } stop, { $minutes } min
   *[other] { $count } stops, { $minutes } min
}
today-slipped = What slipped
today-slipped-none = Nothing was missed today.
today-slipped-yet = Nothing yet: the day's work is not due till later.
today-risk = At risk
today-risk-none = Nothing: every wheel can have what it needs in time.
today-unmet = Cannot be done in time
today-fixes = What would help (one of these)
today-saves = saves { $count ->
    [one] { $count } wheel
   *[other] { $count } wheels
}
today-postponed = Later than it should be
today-lifting = Heavy lifting
today-waiting = Waiting for something else: { $count }
today-ahead = The days ahead
today-day = Day
today-work = People's work
today-due = What may be done now
today-advises = The plan advises; what people scan decides.
today-crew-wrong = No plan is made: the crew file does not read.
alerts-floor-away = What the floor itself would tell is not known now:
today-no-crew = No plan is made: name a crew file under [gateway] in the site file. This is what is due.

## The floor
floor-empty = No wheel stands here yet. The first that is portioned appears at once.
floor-hoops = In the hoop
floor-draining = { $count } in the hoop
floor-between = Between rooms
floor-strays = Scanned but never portioned: { $count }
floor-strays-words = They count nowhere. Look what was scanned: portion it, or take the wrong record back.
floor-loose = on nothing known
floor-places = { $taken } of { $of } places taken
floor-when = Day
floor-show = Show
floor-now = Now
floor-then = As it stood on { $time }
floor-ahead = On { $time }, if nothing is done until then
floor-free = { $count ->
    [one] { $count } place free
   *[other] { $count } places free
}
floor-held = { $count } held
stand-empty = Nothing stands here by the records.

## A wheel
wheel-title = Wheel { $wheel }
wheel-held = Held: it must not leave until a named person releases it.
wheel-dispatched = It has left the dairy.
wheel-discarded = It was thrown away.
wheel-gone = has left
wheel-next = What it needs
wheel-next-none = Nothing is asked for.
wheel-by = by { $time }
wheel-life = Its life
wheel-claim = kept by the device since { $claimed }; received { $received }
wheel-claim-not = the device said { $claimed }; taken at its receipt { $received }
wheel-line = Its life from { $from } to { $to }
wheel-line-hint = Bars are rooms, short strokes are turns, dots are everything else. The list below says it in words.
wheel-corrected = { $count ->
    [one] { $count } record was corrected.
   *[other] { $count } records were corrected.
}
corrections-title = Corrections
corrections-here = Corrections of what is shown here
corrections-words = A record is never changed. One that was wrong is struck through here and on its wheel, and counts as never having happened.
corrections-none = Nothing was corrected yet.
corrections-who = Who may take back what
corrections-own = Whoever recorded it undoes it at the same station, as their last record there and within { $minutes } minutes: { $actions }.
corrections-managers = Only a manager takes these back, with a reason, on the page of the wheel or batch: { $actions }; checks that failed; what the office enters; and everything after { $minutes } minutes. They keep people safe.
rights-kind = Kind of fact
rights-role = Recorded by, or above
rights-known = Known by
rights-back = Taken back by
rights-workers = Wheelward's own workers
rights-none = –
rights-nobody = badge, where badges are named
rights-badge = badge
rights-pin = badge and PIN
rights-owner = whoever recorded it, or a manager
rights-manager = only a manager, with a reason
rights-releaser = only a manager who may release holds, with a reason
rights-unless-wheel-dispatched = without an order it is recorded only by a signed-in manager
rights-unless-wheel-graded = REJECT only by a manager
rights-unless-tool-checked = one that failed only by a manager who may release holds
wheel-corrected-show = Show them
wheel-corrected-hide = Hide them
voided = counts as never having happened:
correct = Correct
correct-words = The record stays readable, but counts as never having happened, for every wheel that it names: the end of a hold, taken back, brings the whole hold back. Record afterwards what really happened.
correct-reason = Why it is wrong
correct-do = It did not happen

## A batch
batch-title = Batch { $batch }
batch-ready = Blue right through
batch-not-ready = not yet
batch-spread = Portion weights
batch-spread-none = No wheel was portioned from it yet.
batch-spread-words = From { $least } to { $most }, { $mean } on average.
batch-outside = { $count ->
    [0] None is outside the recipe's tolerance.
    [one] { $count } is outside the recipe's tolerance.
   *[other] { $count } are outside the recipe's tolerance.
}
batch-record = Make record
batch-record-none = Nothing was written into the make record yet.
batch-wheels-none = No wheel was portioned from it yet.
batch-to-iron = iron this one

## Portions
portions-none = No batch was portioned yet.
portions-least = Lightest
portions-mean = Average
portions-most = Heaviest
portions-aim = Recipe
portions-outside = Outside

## Rooms
rooms-none = The site file names no room.
rooms-no-air = No reading of its air has come in.
rooms-inside = right
rooms-outside = out of range
rooms-range = should be { $least } to { $most }
rooms-read = Last reading
rooms-overflow = Overflows on { $day }
rooms-fits = Everything fits for { $days } days
rooms-fullest = at most { $taken } of { $of } places
rooms-chart = Places taken in { $room }, day by day; the dashed line is how many it has
rooms-counted = Stillages, counted as moving on their due days and leaving on the last day of their dispatch window.

## Alerts
alerts-none = Nothing is wrong that the records know of.
alerts-missing = { $count } records that stations numbered have never arrived. Look at the station's connection.
alerts-worse = has got worse
alerts-since = since { $time }
alerts-seen = seen by
alerts-acknowledge = Say what is done about it
alerts-again = Say more
alerts-note = What is done about it
alerts-do = Record it with my name

## Finding
find-label = A code, a lot, a day or a customer
find-hint = For instance 311-04, S07, H12, a milk lot, an order, or 2026-03-03.
find-customers = Customers
find-customer-waits = No wheel is promised or was sent to them yet.
found-lot = lot { $code }
found-order = order { $code }
found-hold = hold { $code }
found-person = badge { $code }
found-tool = tool { $code }
found-vat = vat { $code }
found-sample = sample { $code }
found-deviation = deviation { $code }
found-hoop = hoop { $code }: empty now
found-stack = stack { $code }: empty now
found-stillage = stillage { $code }: empty now
find-none = Nothing goes by “{ $q }”. Check the code on the card.

## Recall
recall-title = Recall
recall-words = Everything that was made of it, everything that touched that, and who has it. The list shows what the records say; what to recall is decided by the person whom your HACCP plan names, with your authority and your laboratory.
recall-what = About
recall-lot = Lot
recall-batch = Batch
recall-wheel = Wheel
recall-code = Its code
recall-contact = Contact
recall-contact-yes = trace it as well
recall-contact-no = only what is made of it
recall-do = Trace
recall-as-of = As of { $time }
recall-none = No wheel is affected by what the records say.
recall-level = How sure
recall-levels = Certain: what is suspect is in it. Probable: it touched the same surface closely in time. Possible: it shared the air, or a surface at a distance in time.
recall-is-certain = certain
recall-is-probable = probable
recall-is-possible = possible
recall-at-in-stock = in stock
recall-at-in-transit = on its way
recall-at-delivered = delivered
recall-at-refused = refused, on its way back
recall-at-eaten = eaten by sampling
recall-at-reworked = reworked
recall-at-discarded = thrown away
recall-at-not-seen = not seen for days
recall-balance = Of the certain wheels { $portioned } were portioned; { $unexplained } cannot be explained.
recall-notices = Notices to customers (draft)
recall-sheets = Traceability sheets
recall-epcis = EPCIS
recall-batch-file = File of batch { $batch }
recall-hold = Hold all of it
recall-customers = Who has to be told
recall-nobody = Nothing has left: no customer has to be told.
recall-customer = Customer
recall-order = Order
recall-arrived = Arrived
recall-left = Left
recall-unknown = NOT KNOWN
recall-where = It is
recall-because = Because
recall-left-out = { $count } more wheels are in the sums and not listed here: the command line lists them all.
recall-back = What it is made of
recall-back-none = No lot is recorded.
recall-of = What
recall-supplier = From
recall-came-in = Came in
recall-with = With
recall-people = In the hands of badges { $badges }
recall-mind = Mind

## Holds over more than a wheel
holds-title = Holds
holds-words = Nothing under a hold leaves; what comes into it later is held from that moment on. Only a named person with the right to do so ends one.
holds-none = No hold keeps a wheel.
holds-anyone = Anyone with a badge may release wheels from a hold.
holds-only = Only these badges may release wheels from a hold: { $badges }.
holds-of-recipe = every wheel of { $recipe } is born under it
holds-of-recipe-end = Each wheel is released when what is asked for is known of it: at a station with RELEASE.
holds-on-wheels = single wheels
holds-by = badge { $badge }
holds-left = { $count } left all the same, call them back:
holds-new = Place a hold
holds-code = The hold's code
holds-reason = Why
holds-place = Hold it
holds-kept = { $count ->
    [0] It keeps 0 wheels so far.
    [one] It keeps { $count } wheel:
   *[other] It keeps { $count } wheels:
}
holds-untraced = It is still being worked out which wheels it keeps: wheels may still be missing from this list, and until it is done no wheel of the dairy may leave. If this lasts for minutes, see that the records worker runs.
holds-behind = Wheels were portioned since, and it is still being worked out whether it keeps them: they may still be missing from this list, and until it is done they may not leave. If this lasts for minutes, see that the records worker runs.
holds-owed = { $count } more came into it and are held, though the records have not said so yet:
holds-let-go = { $count } were let go one by one:
holds-no-right = { $count } were released by somebody without the right to do so: the hold stands.
holds-end = End this hold
holds-end-words = Every wheel that it keeps is released with your name and reason. Do it only when your HACCP plan and your laboratory allow it.
holds-end-do = End it with my name
holds-end-all = All { $holds } holds with the code { $hold } end together, with { $count } wheels.
holds-end-unread = Hold { $hold } was not ended: the page that asked did not say what it showed. Open the Holds page again, read what the hold keeps, and end it there.
holds-end-changed = Hold { $hold } was not ended, because it is not what your page showed: { $holds-then ->
    [one] one hold with { $then } wheels
   *[other] { $holds-then } holds with { $then } wheels
} then, { $holds-now ->
    [one] one hold with { $now } wheels
   *[other] { $holds-now } holds with { $now } wheels
} now, perhaps others. Open the Holds page again, read what it keeps now, and end it there.
holds-end-unfinished = Hold { $hold } was not ended: it is still being worked out which wheels it keeps. Wait until the Holds page lists them all, then end it. If this lasts for minutes, see that the records worker runs.

## What the office writes down
entry-title = Write down
entry-words = What no station scans: lots, the make, samples and results, checks and deviations. Each is recorded with your name.
entry-now = It is recorded as of now.
entry-do = Record it with my name
entry-may = if known
entry-milk-received = Milk came in
entry-milk-screened = Milk was screened
entry-milk-pasteurised = Milk was heated
entry-lot-received = A lot came in
entry-vat-filled = Milk went into a vat
entry-vat-dosed = Culture, rennet or salt went in
entry-vat-measured = A vat was read
entry-vat-cut = The curd was cut
entry-vat-drained = The whey was drawn off
entry-vat-milled = The curd was milled
entry-vat-closed = The make is over
entry-vat-recipe-changed = A batch goes on by another recipe
entry-lot-used = Coating or wrap went onto wheels
entry-tool-sanitised = Something was sanitised
entry-control-checked = A check was done
entry-deviation-found = Something was not as planned
entry-deviation-decided = What is done about it was decided
entry-lab-sampled = A sample of cheese was taken
entry-lab-swabbed = A surface was swabbed
entry-lab-resulted = A result came in
field-lot = Lot
field-batch = Batch
field-note = Note
field-recipe = Recipe that it goes on by
field-recipe-version = Version of that recipe
field-reason = Why
field-test = Tested for
field-sample = Sample
field-wheels = Wheels, with commas between them
field-supplier = Supplier
field-volume-l = Litres
field-temperature-c = Temperature, °C
field-fat-pct = Fat, %
field-protein-pct = Protein, %
field-supplier-lot = Their code
field-document-kind = Came with (kind of paper)
field-document-number = Number of that paper
field-passed = It may be used
field-held-s = Held, seconds
field-kind = What it is
field-product = Product, as on its label
field-use-by = Last day
field-ingredient = What went in
field-amount = Amount: grams, of rennet millilitres
field-reading-ph = pH
field-reading-acidity-dornic = Acidity, °D
field-reading-temperature-c = Temperature, °C
field-whey-l = Litres of whey
field-tool = Tool, vat, stillage or hoop
field-method = How
field-control = The check, as the safety file names it
field-about-batch = Batch it is about
field-about-lot = Lot it is about
field-value = What was read
field-in-order = In order
field-found = What was found
field-wanted = What the plan wants
field-deviation = Name of the record of what was found
field-action = What is done
field-consequence = What becomes of the food
field-plan = Sampling plan, as the safety file names it
field-taken-g = Grams of cheese used up
field-room = Room
field-point = Where exactly
field-zone = Zone: 1 touches cheese, 4 is outside
field-units = Each unit’s value, with commas between them
field-verdict = Verdict
field-report = Report number
choice-yes = yes
choice-no = no
choice-culture = culture
choice-rennet = rennet
choice-salt = salt
choice-coating = coating
choice-packaging = packaging
choice-other = something else
choice-goes-on = the make goes on
choice-treated-again = treated again
choice-held = held
choice-discarded = thrown away
choice-satisfactory = satisfactory
choice-acceptable = acceptable
choice-unsatisfactory = unsatisfactory

## Orders
nav-orders = Orders
orders-title = Orders and shipments
orders-short = What is short, and why
orders-none-short = Nothing that is ordered is short.
orders-arrives-on = arrives { $day }
orders-short-of = { $count ->
    [one] { $count } wheel short
   *[other] { $count } wheels short
}
orders-options = What would help, each alone:
orders-fortnight = What leaves in the coming fortnight
orders-fortnight-chart = Wheels that leave in the coming fortnight, by lane and day; the same as a list below
orders-fortnight-words = Filled: graded wheels. Outlined: wheels that are expected to be ready by then.
orders-fortnight-list = As a list
orders-nothing-leaves = Nothing leaves in the coming fortnight.
orders-leaves = Leaves
orders-lane = By
orders-customer = Customer
orders-grade = Least grade
orders-ask = Can they have it?
orders-ask-do = Ask
orders-by = Should arrive by
orders-promise-words = An answer reserves nothing: enter the order.
orders-all = Orders
orders-none = No order was entered yet.
orders-none-open = No order is open.
orders-over = { $count } without anything open
orders-order = Order
orders-next = Next arrival
orders-lines = Ordered
orders-stands = Stands
orders-again = { $weeks ->
    [one] every week
   *[other] every { $weeks } weeks
}
orders-cancelled = cancelled
orders-told = customer was told
orders-sure = { $percent } % sure
orders-sent = { $count ->
    [one] { $count } wheel sent
   *[other] { $count } wheels sent
}
orders-do = Told or cancelled
orders-confirm = The customer was told what comes
orders-confirm-words = From then on the allocation keeps to it.
orders-reason = Why
orders-cancel = Cancel the order
orders-new = Enter an order
orders-number = The order’s number
orders-wheels = Wheels (or kilograms below)
orders-kg = Kilograms in all
orders-arrive-on = Must arrive on
orders-every = Comes again every so many weeks (empty: once)
orders-place = Enter
orders-form-words = Orders of several lines, with weights, ages or mixing limits: import a table, see wheelward orders import.
orders-advises = The allocation advises; only a scan at dispatch sends a wheel.

## What is expected
forecast-title = When it is ready
forecast-iron = Worth ironing, what tells most first:
forecast-what-if = What if …
forecast-room = A room is warmer or colder
forecast-as-it-is = as it is
forecast-by = By how many °C (below 0: colder)
forecast-days = For how many days (empty: for good)
forecast-pierce = Pierced how many days later (below 0: earlier)
forecast-try = Show what changes
forecast-advises = A forecast releases nothing: that is for people, by the dairy's own plan.
forecast-weight = What it weighs and will weigh
forecast-weeks = How many get ready, week by week
rooms-weeks = Show its last four weeks

## Codes that nobody knows
unknown-near = { $none }; did you mean { $near }?
unknown-check = { $none }, nor one that is written nearly so: check the code.
unknown-empty = { $none }: none is known yet.
unknown-or = or
unknown-alert = There is no alert { $code }
unknown-batch = There is no batch { $code }
unknown-batch-or-wheel = There is no batch or wheel { $code }
unknown-carrier = There is no carrier { $code }
unknown-case = There is no case { $code }
unknown-check-of-plan = There is no check { $code }
unknown-customer = There is no customer { $code }
unknown-deviation = There is no deviation { $code }
unknown-form = There is no form { $code }
unknown-hold = There is no hold { $code }
unknown-hoop = There is no hoop { $code }
unknown-label = There is no label { $code }
unknown-lane = There is no lane { $code }
unknown-lot = There is no lot { $code }
unknown-market = There is no market { $code }
unknown-order = There is no order { $code }
unknown-paper = There is no paper { $code }
unknown-person = There is no person { $code }
unknown-place = There is no place { $code }
unknown-printer = There is no printer { $code }
unknown-recipe = There is no recipe { $code }
unknown-record = There is no record { $code }
unknown-room = There is no room { $code }
unknown-sample = There is no sample { $code }
unknown-stack = There is no stack { $code }
unknown-station = There is no station { $code }
unknown-stillage = There is no stillage { $code }
unknown-tool = There is no tool { $code }
unknown-vat = There is no vat { $code }
unknown-wheel = There is no wheel { $code }
holds-not-yet = It came in or was made, but nobody has written it down yet: hold it all the same, and it keeps 0 wheels so far
entry-not-yet = What it names is not written down here yet: record it all the same
find-near = Did you mean
