package views

// HelpPage explains each word of the program once.
type HelpPage struct {
	Shell
	Bead   string // address of the bead model's page
	API    string // address of the API's page
	Card   string // the grade card
	People string // what is kept about people
}

// GradeCardPage is the sheet of grades and marks.
type GradeCardPage struct {
	Shell
	Grades []Option
}

// FirstSteps say how a farm without printers begins; its zero value shows
// nothing.
type FirstSteps struct {
	Text   string
	Add    string // where to add a printer; "" for whoever may not
	Import string // where to import a bundle; "" for whoever may not
}

// HelpGroup is a heading and its words.
type HelpGroup struct {
	ID    string
	Title string
	Words []HelpWord
}

// HelpWord is one word. Its ID is its anchor: /help#plate.
type HelpWord struct {
	ID   string
	Word string
	Text string
	More string // second paragraph; "" none
}

// helpGroups are the words of the program. A word is explained here and
// nowhere else; pages lead here.
var helpGroups = []HelpGroup{
	{"things", "The farm", []HelpWord{
		{"printer", "Printer", "One machine, with a short tag such as P-014, a bay, a bed size and a grid of zones.", "A retired printer keeps its history and is offered nowhere."},
		{"plate", "Plate", "One removable build plate, with a tag such as L-203, a surface, and its own history on whichever printers it lay.", "A plate has sides A and B, and a notch that says which way round it lies."},
		{"fitting", "Fitting", "Plate and printer together, from when to when. A first layer that names a plate counts as seeing it there.", ""},
		{"state", "State", "What a printer on the Floor needs. Hold: no jobs. Watch: look at it, the words beside say why. Due: an upkeep has come up. No record: nothing to judge by. Ready has no sign.", ""},
		{"bay", "Bay", "Where printers stand together. Walking order goes bay by bay.", ""},
		{"tag", "Tag", "The short name on a label: P-014, L-203. No two may differ by capitals only. A tag in use is not renamed, because labels and records carry it.", ""},
		{"material", "Material", "What is printed, by its short name such as PLA or PETG-CF.", ""},
		{"job", "Job", "An order: quantity, hours, material, whether the underside shows, and when it is due.", ""},
		{"shift", "Shift", "One person's turn, from when to when, in a bay or everywhere.", ""},
		{"instrument", "Instrument", "A gauge or scale that readings are taken with, with the date its check is due.", ""},
		{"role", "Role", "An operator records and reads. A manager also sets up printers, plates and jobs. An admin also looks after people, tokens, money and imports.", ""},
		{"tablet", "Shared tablet", "A device an admin has enrolled. People change over on it with a PIN; everybody has an operator's rights there.", ""},
		{"token", "Token", "A key for a machine or a script that talks to this program. It is shown once.", ""},
		{"notice", "Notice", "News of the farm in one sentence: a hold placed, a finding raised, a job come to be at risk. Five a shift at most; what is beyond is one line that counts it. Notices are about printers, plates and jobs, never about people.", "Each person chooses under Your sign-in what they are told, and whether by mail too; nothing goes by mail until they have confirmed an address."},
		{"webhook", "Webhook", "An address of a program of yours to which each notice is posted as JSON. Its header Basecourse-Signature is the HMAC-SHA256, in hex, of Basecourse-Time, a full stop and the body, keyed with the secret shown once. Refuse what is older than 5 minutes.", "A repeat has the same Idempotency-Key. Answer 2xx within 5 seconds; else it is tried nine times in about a day and then listed in Setup as given up."},
	}},
	{"layers", "First layers", []HelpWord{
		{"first-layer", "First layer", "One started print, judged at its first layer: printer, plate, material, job, when, grade, marks and readings.", "A start that nobody graded is recorded too; without it no rate would have a whole to be a part of."},
		{"coverage", "Coverage", "How many of the started first layers were graded. It stands beside every rate.", ""},
		{"grade", "Grade", "What a first layer came to. Clean layer: nothing to see. Cosmetic: visible, the part still ships. Marginal: may not hold, or its visible underside may be refused; kept printing, under watch. Failed: stopped, restarted or scrapped.", ""},
		{"failure", "Failure", "A layer graded failed; where the underside shows, marginal counts as well. The outcome and a nudge do not enter it.", ""},
		{"restart", "Restart", "A start within an hour of a failed one on the same printer and plate. Its missing probe is not held against it.", ""},
		{"zone", "Zone", "One cell of the bed's grid, as you stand in front and look from above: letters from the left, numbers from the front. A1 is front left, C3 back right on a grid of three by three.", "A zone nothing was printed on is not a clean zone: it counts neither way."},
		{"frames", "By printer, by plate", "The same marks summed twice: by zones of the bed, whichever plate lay there, and by zones of the plate, turned back where it lay turned. What stays in a zone of the bed is the printer's, what stays in a zone of the plate is the plate's.", ""},
		{"reading", "Reading", "A thickness in mm, measured in a zone on a peeled single layer: of a single line, or of a solid patch.", ""},
		{"underside", "Underside", "Whether the side on the plate shows on the finished part. Where it shows, marginal is a failure.", ""},
		{"nudge", "Nudge", "Moving the nozzle up or down while the first layer prints. A near miss: the grade stays as given, but it is no good layer in a proof.", ""},
		{"look-list", "Look list", "Which running first layers to look at next: some because they are at risk, some drawn by lot so that rates stay honest.", ""},
	}},
	{"care", "Care", []HelpWord{
		{"probe", "Probe", "One measurement of the bed: heights on a grid, when, and at what bed temperature. A fresh probe has had nothing since that would make it wrong.", "Skipped is said only where somebody said so. Where complete records show none, the words are: no probe since the last start."},
		{"mesh", "Mesh", "The grid of heights a probe gives.", ""},
		{"cleaning", "Cleaning", "One treatment of a plate's side: wiped, washed, washed deep, or coated with a release layer. Gaps count from the last wipe or wash; a coat is no cleaning.", "Let a plate cool before cleaning it. Solvents do not go near a hot bed or a flame. Follow your local rules and the makers' instructions."},
		{"cleaning-gap", "Cleaning gap", "How many prints a plate has had since it was last wiped or washed, on any printer.", ""},
		{"offset", "Offset change", "The printer's Z offset went from one value to another.", ""},
		{"service", "Service", "Anything that makes what was known about a printer doubtful: a nozzle change, the machine moved, work on the bed.", ""},
		{"hold", "Hold", "A printer or plate that must not start jobs, with a reason, until somebody releases it with one.", ""},
		{"upkeep", "Upkeep", "Cleanings, probings and checks that are due, planned or done.", ""},
		{"height-book", "Height book", "What is known of each printer's zero and each plate side's thickness, and the nozzle move to expect for a pair never tried.", "It rests on layers measured or nudged, and on offset changes that were kept, on printers whose zero is the frame. Where the zero is taken from the plate in place, thickness cancels. It stands under Trends, and is said when a plate is fitted."},
	}},
	{"evidence", "Evidence", []HelpWord{
		{"exposure", "Exposure", "What a first layer was started under: probed before it or not, how old the probe was, prints and days since the plate was cleaned, plate swapped since the probe.", ""},
		{"finding", "Finding", "Whether a printer's or a plate's failures go with no probing, or with long cleaning gaps. Its evidence is raised, watching, quiet, or too little data.", "Once raised it is a case: suspected, on test, upheld, not upheld, closed. Goes with does not mean caused by: a planned test tells."},
		{"avoidable", "Avoidable failures", "How many failures of 100 layers would be spared by a fresh probe, or a clean plate, at every start. Estimated, with its range.", ""},
		{"limits", "Limit", "On a chart over time, a week beyond a limit is rarer than chance makes it: about 3 times in 1,000. Limits lie wider where few layers were graded. Look for what changed that week. Eight weeks in a row on one side of the usual rate stand out too.", "At a rate that stays the same, limits raise a false alarm about once in 370 weeks, limits and runs about once in 150. Each further rule would raise more, so there is none; a slow rise shows in the cumulative sum. A point within its limits is no reason to change anything."},
		{"adjusted", "Plain and adjusted", "Plain is what was counted. Adjusted takes out what plate, material, grader, hour and day explain, and draws a machine with few layers towards the farm's others.", "Where the two differ, a line on the page says why."},
		{"void-probe", "Probed, then swapped", "A probe before a plate swap or a service tells nothing of the bed that is printed on. Such layers stand by themselves: they count neither as probed nor as skipped.", ""},
		{"disagreement", "Disagreement", "Somebody's word against a finding, with a reason. It stands beside the finding with name and time, changes no figure, and can be withdrawn.", ""},
		{"likely", "Likely", "At least 80 in 100. May be: 50 to 80. Below that the words are: cannot tell. A range written as likely 6 to 22 % holds the true rate 95 times of 100.", ""},
		{"unknown", "No record", "Nothing is known. It is never drawn as good, as zero or as blank.", ""},
		{"late-entry", "Late entry", "Recorded much later than it happened. It counts from when it happened.", ""},
		{"voided", "Voided", "A wrong record is not deleted: it is voided with a reason and replaced. Who, when and why stay.", ""},
		{"handover", "Handover", "What the next shift must know.", ""},
	}},
	{"setup", "Setup", []HelpWord{
		{"mapping", "Mapping", "How a log of another form is read: which of its columns become what, and what its words mean. It is kept by name and offered for the next log.", "Rows are known by the mapping's name and by what tells them apart, so a longer file of the same log records the new rows alone. A mapping that is retired is offered no more and can be used again."},
		{"setting", "Setting", "A number or word the program works with, such as the farm's time zone or what an hour of work costs. Each has a standard value.", ""},
		{"bundle", "Bundle", "The farm as a .zip or a folder of CSV files. It goes in by Import and comes out by Export, without loss.", ""},
		{"dry-run", "Check", "An import that stores nothing: it says what would go in and what is wrong, with the place.", ""},
		{"refused-row", "Refused row", "A row of a bundle that does not fit. It can be downloaded, put right, and imported again.", ""},
		{"screw", "Levelling screw", "One screw that tilts a printer's bed, with its place from the front left corner and its pitch, the rise per turn.", ""},
		{"zero", "Zero from", "Where the printer takes height zero from: from the plate that lies on it, or from its frame. With a zero from the plate, the plate's thickness cancels out.", ""},
		{"probing-recorded", "Probing recorded", "Whether all of a printer's probes are recorded, some, or none. Only where all are does a missing record mean that it was not probed.", ""},
	}},
}
