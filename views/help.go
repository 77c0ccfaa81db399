package views

import "strconv"

// HelpPage explains each word of the program once.
type HelpPage struct {
	Shell
	Bead   string // address of the bead model's page
	API    string // address of the API's page
	People string // what is kept about people
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

// HelpMark is one mark as it is seen.
type HelpMark struct {
	Code  string
	Word  string
	Seen  string
	Also  string // other names people use
	Often string // what it often goes with, in careful words
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
		{"token", "Token", "A key for a machine or a script that talks to this program. It is shown once.", ""},
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
		{"limits", "Limit", "On a chart over time, a week beyond a limit is rarer than chance makes it: about 3 times in 1,000. Limits lie wider where few layers were graded. Look for what changed that week.", "A point within its limits is no reason to change anything."},
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
		{"setting", "Setting", "A number or word the program works with, such as the farm's time zone or what an hour of work costs. Each has a standard value.", ""},
		{"bundle", "Bundle", "The farm as a .zip or a folder of CSV files. It goes in by Import and comes out by Export, without loss.", ""},
		{"dry-run", "Check", "An import that stores nothing: it says what would go in and what is wrong, with the place.", ""},
		{"refused-row", "Refused row", "A row of a bundle that does not fit. It can be downloaded, put right, and imported again.", ""},
		{"screw", "Levelling screw", "One screw that tilts a printer's bed, with its place from the front left corner and its pitch, the rise per turn.", ""},
		{"zero", "Zero from", "Where the printer takes height zero from: from the plate that lies on it, or from its frame. With a zero from the plate, the plate's thickness cancels out.", ""},
		{"probing-recorded", "Probing recorded", "Whether all of a printer's probes are recorded, some, or none. Only where all are does a missing record mean that it was not probed.", ""},
	}},
}

// helpMarks are the six common marks, with drawings.
var helpMarks = []HelpMark{
	{"nozzle_low", "Over-squished (nozzle low)", "Ridges, rough, see-through thin, scraped.", "too close, scraped", "All zones alike: the nozzle sits low, or this plate is thick."},
	{"nozzle_high", "Under-squished (nozzle high)", "Round lines, slits between lines, strings.", "too far, gaps, loose loops", "All zones alike: the nozzle sits high, or this plate is thin."},
	{"blobs", "Blobs", "Balls and lumps carried about: it did not grip. Bubbles in the line are Moisture.", "balls, lumps", "Grip or height first, then moisture."},
	{"dragged", "Dragged lines", "Lines pulled off at turns, cutting corners.", "pulled, not sticking", "Grip or height."},
	{"contamination", "Contamination marks", "Finger-, streak- or drop-shaped dull, shiny or bare patches.", "grease, oily spot", "The plate. Alone and well stuck it is cosmetic."},
	{"lifting", "Corner lift", "An edge or a corner off the plate.", "curl, warp start", "Grip, bed temperature, a draught."},
}

// helpMoreMarks stand behind More marks.
var helpMoreMarks = []HelpMark{
	{"no_start", "No start", "Lines missing from the beginning: spool, tangle or clog. Not a matter of height or plate.", "", ""},
	{"under_fed", "Under-fed", "Sparse lines although the squish is right, all zones alike.", "", ""},
	{"over_fed", "Over-fed", "Ridged, all zones alike.", "", ""},
	{"striping", "Striping", "Regular bands. The cause is open: look into it apart.", "", ""},
	{"moisture", "Moisture", "Pits and popping, in every layer. Apart from blobs: the cure differs.", "", ""},
	{"plate_mark", "Plate mark", "A dent, a scratch, a torn or worn-smooth coating, an earlier part's outline.", "", ""},
	{"debris", "Debris", "Something lies on the plate.", "", ""},
	{"other", "Something else", "Needs a word or a photo.", "", ""},
}

var severities = []string{"slight", "clear", "strong"}

// stroke is one line or area of a mark's drawing, 96 by 64 units.
type stroke struct {
	Class string // bead, thin, seam, bare, patch, ball, lift
	D     string
	Width string
}

func n(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// drawing shows a mark at a severity of 1 to 3: a patch of lines seen from
// above, as they lie on the plate.
func drawing(mark string, severity int) []stroke {
	var out []stroke
	lines := func(class string, width float64, skip int) {
		for i := range 6 {
			if i < skip {
				continue
			}
			y := n(7 + 10*float64(i))
			out = append(out, stroke{class, "M6 " + y + "H90", n(width)})
		}
	}
	add := func(class, d string, width float64) { out = append(out, stroke{class, d, n(width)}) }
	switch mark {
	case "nozzle_low":
		lines("bead", 11, 0)
		for i := range []int{2, 4, 5}[severity-1] {
			y := 12 + 10*float64(i)
			add("seam", "M6 "+n(y)+"q6 -4 12 0t12 0t12 0t12 0t12 0t12 0t12 0", float64(severity))
		}
		for i := range severity - 1 {
			add("bare", "M"+n(22+34*float64(i))+" "+n(22+16*float64(i))+"q9 -9 18 0t-4 12t-14 -12", 1)
		}
	case "nozzle_high":
		if severity < 3 {
			lines("bead", []float64{7, 5}[severity-1], 0)
			break
		}
		for i := range 6 {
			y := 7 + 10*float64(i)
			add("bead", "M6 "+n(y)+"q10 "+n(-4+float64(i%3)*4)+" 21 0t21 0t21 0t21 0", 3.2)
		}
	case "blobs":
		lines("bead", 9, 0)
		at := [][3]float64{{26, 22, 4}, {66, 44, 4}, {48, 30, 6}, {18, 48, 6}, {78, 16, 6}, {36, 52, 8}, {58, 12, 8}}
		for _, b := range at[:[]int{2, 5, 7}[severity-1]] {
			r := b[2] + float64(severity) - 1
			add("ball", "M"+n(b[0]-r)+" "+n(b[1])+"a"+n(r)+" "+n(r)+" 0 1 0 "+n(2*r)+" 0a"+n(r)+" "+n(r)+" 0 1 0 "+n(-2*r)+" 0", 1.5)
		}
	case "dragged":
		cut := []int{1, 2, 3}[severity-1]
		for i := range 3 {
			y := 7 + 20*float64(i)
			if i < cut {
				in := 34 * float64(severity) / 3
				add("bead", "M6 "+n(y)+"H"+n(90-in-6)+"L"+n(82-in/2)+" "+n(y+10)+"H6", 7)
			} else {
				add("bead", "M6 "+n(y)+"H90V"+n(y+10)+"H6", 7)
			}
		}
		if severity == 3 {
			add("thin", "M60 4Q40 30 78 60", 2.5)
		}
	case "contamination":
		lines("bead", 9, 0)
		spots := [][4]float64{{48, 32, 10, 7}, {24, 20, 11, 8}, {72, 46, 13, 9}}
		for i, s := range spots[:severity] {
			grow := 1 + 0.25*float64(severity-1)
			class := "patch"
			if severity == 3 && i == 0 {
				class = "bare"
			}
			add(class, "M"+n(s[0]-s[2]*grow)+" "+n(s[1])+"a"+n(s[2]*grow)+" "+n(s[3]*grow)+" 0 1 0 "+n(2*s[2]*grow)+" 0a"+n(s[2]*grow)+" "+n(s[3]*grow)+" 0 1 0 "+n(-2*s[2]*grow)+" 0", 1.5)
		}
	case "lifting":
		lines("bead", 9, 0)
		s := []float64{16, 28, 44}[severity-1]
		add("bare", "M94 "+n(62-s)+"V62H"+n(94-s*1.3)+"z", 0)
		add("lift", "M94 "+n(62-s)+"L"+n(94-s*1.3)+" 62q"+n(s*0.15)+" "+n(-s*0.9)+" "+n(s*1.3)+" "+n(-s), 2)
	}
	return out
}
