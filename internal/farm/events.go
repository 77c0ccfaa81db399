package farm

import "time"

// Meta is what every event carries beside its content.
type Meta struct {
	NotedAt    time.Time
	NotedBy    string
	ArrivedAt  time.Time
	VoidedAt   time.Time
	VoidedBy   string
	VoidReason string
	Replaces   ID
}

// Zone is one cell of a bed's grid, counted from 0: Col from the left, Row
// from the front, seen from the front and above. Zone{0, 0} is A1.
type Zone struct{ Col, Row uint8 }

// Mark is what was seen in a zone, severity 1 (slight) to 3 (strong).
type Mark struct {
	Zone     Zone
	Mark     string
	Severity uint8
}

// Reading is a thickness in mm measured in a zone on a peeled single layer: of
// a single line or stripe, or (Patch) of a solid patch, which saturates when
// the nozzle is low.
type Reading struct {
	Zone  Zone
	MM    float64
	Patch bool
}

// FirstLayer is one started print, judged at its first layer. Grade "" means
// started and not graded.
type FirstLayer struct {
	ID             ID
	Printer, Plate string
	StartedAt      time.Time
	StartIs        string
	Grade, Grader  string
	GradedAt       time.Time
	Material, Lot  string
	NozzleMM       float64
	Job, Underside string
	LayerHeightMM  float64
	LineWidthMM    float64
	LinePitchMM    float64
	Marks          []Mark
	Readings       []Reading
	Instrument     string
	Covered        []Zone
	SeenFrom       string
	PlateSide      string
	PlateTurned    string
	Probed         string
	NudgeMM        float64
	Decision       string
	Outcome        string
	Unseen         string // "yes": the part was taken off before anybody looked; closed without a grade
	LookedBecause  string
	LookChance     float64
	LookDrawn      string // what the look list drew before anybody saw the layer: lot, risk, no; "" it was not drawn for
	Note           string
	Meta
}

// Cleaning is one treatment of a plate side.
type Cleaning struct {
	ID        ID
	Plate     string
	CleanedAt time.Time
	Method    string
	PlateSide string
	Agent     string
	Person    string
	Note      string
	Meta
}

// Probe is one measured bed mesh. HeightsMM is row-major from the front left,
// NaN where missing; bed surface against the printer's zero, up positive.
type Probe struct {
	ID                     ID
	Printer                string
	ProbedAt               time.Time
	Extent                 string
	Plate                  string
	PlateSide, PlateTurned string
	BedTempC, SoakMinutes  float64
	InUse                  string
	Person                 string
	XMinMM, XMaxMM         float64
	YMinMM, YMaxMM         float64
	Columns, Rows          int // 0 unknown
	HeightsMM              []float64
	Meta
}

// ProbeSkipped says that a probing was left out, and why.
type ProbeSkipped struct {
	ID           ID
	Printer      string
	At           time.Time
	Reason       string
	Person, Note string
	Meta
}

// TaskSkipped says that a task of upkeep due before a printer's next start was left
// out, and why. Plate is the one it was due for, "" where it is about the printer.
// What was left out of probing is a ProbeSkipped.
type TaskSkipped struct {
	ID             ID
	Printer, Plate string
	Task           string
	At             time.Time
	Reason         string
	Person, Note   string
	Meta
}

// OffsetChange says that the printer's Z offset went from FromMM to ToMM.
type OffsetChange struct {
	ID             ID
	Printer        string
	ChangedAt      time.Time
	FromMM, ToMM   float64
	Person, Reason string
	Meta
}

// Service is work that invalidates what was known of a printer.
type Service struct {
	ID           ID
	Printer      string
	DoneAt       time.Time
	Work         string
	Person, Note string
	Meta
}

// Fitting says that a plate sits on a printer from FittedAt to RemovedAt.
type Fitting struct {
	ID                     ID
	Plate, Printer         string
	FittedAt, RemovedAt    time.Time
	PlateSide, PlateTurned string
	Person                 string
	Meta
}

// PlateState says what a plate is kept for from At on.
type PlateState struct {
	ID             ID
	Plate          string
	At             time.Time
	State          string
	Person, Reason string
	Meta
}

// Hold keeps a printer or plate from starting jobs until it is released.
type Hold struct {
	ID                        ID
	SubjectKind, Subject      string
	PlacedAt, ReleasedAt      time.Time
	Person, Reason            string
	ReleasedBy, ReleaseReason string
	ReleaseIs                 string // what the release rests on: proved, override; "" not said
	Meta
}

// KindOfSubject says what sort of thing is held.
func (h *Hold) KindOfSubject() Kind { return Kind(h.SubjectKind) }

// Disagreement is somebody's word against a finding, with a reason. It changes
// no figure and no state; withdrawn is voided.
type Disagreement struct {
	ID                          ID
	SubjectKind, Subject, Cause string
	At                          time.Time
	State                       string // the finding's evidence then
	Person, Reason              string
	Meta
}

// KindOfSubject says what sort of thing the finding is about.
func (d *Disagreement) KindOfSubject() Kind { return Kind(d.SubjectKind) }

// EvidenceSheet is what a finding rested on, frozen: the sheet as the program wrote it,
// with what it takes to work it out anew.
type EvidenceSheet struct {
	ID                          ID
	SubjectKind, Subject, Cause string
	At, KnownAt                 time.Time
	Because                     string // raised, asked
	State                       string // the finding's evidence then
	Definitions                 string // version of the definitions it was worked out by
	Person                      string // who asked; "" nobody
	Sheet                       string // JSON, byte for byte
	Meta
}

// KindOfSubject says what sort of thing the finding is about.
func (e *EvidenceSheet) KindOfSubject() Kind { return Kind(e.SubjectKind) }

// AdviceDone says what was done about an advice that a first layer got. Done as
// it said opens a proof on its subject: GoodNeeded good layers, fixed before
// they are printed, show that it held.
type AdviceDone struct {
	ID                   ID
	FirstLayer           string // text of its id
	SubjectKind, Subject string // what the action was done to
	At                   time.Time
	Answer               string
	Action, Cause        string  // of the advice
	Record               string  // text of the id of the record that tells what was done
	GoodNeeded           int     // 0: nothing to prove, or too rare to count
	ExpectedRate         float64 // share of graded layers expected to fail if nothing had changed
	ExpectedLayers       float64 // how many layers that is worth: ExpectedRate is beta with mean ExpectedRate and alpha + beta this; NaN: judged by GoodNeeded alone
	Person, Reason       string
	Meta
}

// KindOfSubject says what sort of thing the action was done to.
func (a *AdviceDone) KindOfSubject() Kind { return Kind(a.SubjectKind) }

// Photo is a picture of a first layer. The picture itself stands apart and may go;
// SHA256 says which it was.
type Photo struct {
	ID         ID
	Printer    string
	FirstLayer string // text of its id
	TakenAt    time.Time
	SHA256     string // of the kept JPEG, 64 hexadecimal digits
	WidthPX    int
	HeightPX   int
	Person     string
	Meta
}

// Policy is one version of a policy of upkeep: from InForceFrom on it is what the
// policy of that name asks for, until the next version of it. An empty scope is
// everything; a rule that is 0, NaN or empty asks for nothing. The version that
// ends a policy says so and repeats the scope.
type Policy struct {
	ID                                   ID
	Name                                 string
	InForceFrom                          time.Time
	Ended                                string // "yes"
	Surface, Material, Printer, Plate    string
	JobPlatesFrom, JobPlatesTo           int // size of the job in plates, both included
	CleanPrints, WashPrints, ProbeStarts int // before each so many-th
	CleanHours, ProbeHours               float64
	AfterSwap, AfterService, AfterMove   string // "yes": a probe is void after it
	AfterTemperature                     string
	Person, Reason                       string
	// Forecast was worked out when the version was made, and stays as it was.
	Forecast PolicyForecast
	Meta
}

// PolicyForecast is what a version was expected to change, by the starts of the
// four weeks before it was made, per 100 of them: as they were, and had the policies
// alone asked for upkeep. NaN unknown.
type PolicyForecast struct {
	Starts                               float64 // how many there were
	FailuresWas, Failures, FailuresSaved float64 // expected, by the model
	FailuresSavedLow, FailuresSavedHigh  float64 // 95 %
	WipesWas, Wipes, WashesWas, Washes   float64
	ProbesWas, Probes                    float64
	PersonMinutesWas, PersonMinutes      float64
	MachineMinutesWas, MachineMinutes    float64
}

// NoForecast is one of which nothing is known.
func NoForecast() PolicyForecast {
	x := Unknown()
	return PolicyForecast{Starts: x, FailuresWas: x, Failures: x, FailuresSaved: x, FailuresSavedLow: x, FailuresSavedHigh: x, WipesWas: x, Wipes: x, WashesWas: x, Washes: x, ProbesWas: x, Probes: x, PersonMinutesWas: x, PersonMinutes: x, MachineMinutesWas: x, MachineMinutes: x}
}

// Handover is what was handed over from one shift to the next: what the program
// wrote then, kept as it was, and the note of whoever handed over.
type Handover struct {
	ID                 ID
	At                 time.Time
	ShiftFrom, ShiftTo time.Time // of the shift that ended; zero unknown
	Person             string
	Says               string // headings, and lines under them that begin with "- "
	Note               string
	Meta
}

// HandoverEntry is a note for the next handover, or the receipt of one by name.
type HandoverEntry struct {
	ID           ID
	Handover     string // text of the id of the one that is receipted; "" of a note: the next one's
	At           time.Time
	What         string // note, receipt
	Person, Note string
	Meta
}

// JobForecast is what was expected of a job's next starts when a plan first had a
// place for each, frozen. NaN unknown. Intervals hold 90 in 100.
type JobForecast struct {
	ID                              ID
	Job                             string
	At                              time.Time
	Needed                          int // good first layers still missing then
	Starts                          int // planned
	Failures                        float64
	FailuresLow, FailuresHigh       float64
	Enough                          float64 // chance that the planned starts are enough
	ExpectedCost, CostLow, CostHigh float64 // of failures, prep and lateness, the farm's money
	Doubt                           float64 // standard deviation of log-odds by which all chances may be off together
	Chances                         string  // of failure of each start in their order, by spaces
	Meta
}

// Regrade is the grade of a first layer given a second time by somebody who was not
// shown the first.
type Regrade struct {
	ID         ID
	Printer    string
	FirstLayer string // text of its id
	Grader     string
	GradedAt   time.Time
	Grade      string
	Marks      []Mark
	SeenFrom   string  // photo, peeled
	Batch      string  // what was drawn together
	Chance     float64 // with which it was drawn by lot; NaN: it was not
	Note       string
	Meta
}

// PracticeItem is a photo that new graders practise on, with the grade and the marks
// that whoever chose it gives it. Voided it is practised on no more.
type PracticeItem struct {
	ID      ID
	Printer string // whose layer the photo shows
	Photo   string // text of its id
	At      time.Time
	Person  string // who chose it
	Grade   string
	Shows   string // codes of marks, by spaces
	Why     string
	Meta
}

// Qualification is the result of one round of practice.
type Qualification struct {
	ID          ID
	Person      string
	At          time.Time
	Until       time.Time // when it is to be renewed; zero: not held
	Items       int
	GradesRight float64 // how many of them; a whole number
	MarksRight  float64 // NaN: marks were not asked
	Passed      string
	Answers     string // ITEM=GRADE, by spaces
	Note        string
	Meta
}

// Draw says what the lot had for a printer's next start: to do a task before it or to
// leave it. It stands whether or not somebody followed it. Which start it governs is
// told by trial.Governs.
type Draw struct {
	ID             ID
	Printer, Plate string // plate: on the printer when it was drawn
	Task           string
	DrawnAt        time.Time
	Arm            string  // do, leave
	Chance         float64 // that the lot says do, between 0 and 1
	Saves          float64 // expected then of doing it against leaving it, the farm's money; NaN not weighed
	Why            string  // DrawnLot, or the id of the planned test it was drawn for
	Person         string  // who asked
	Meta
}

// DrawnLot is why a draw of the standing lot was made.
const DrawnLot = "lot"

// Bundle is a whole farm in memory, as the CSV bundle holds it on disk.
type Bundle struct {
	Printers      []Printer
	Screws        []Screw
	Plates        []Plate
	Materials     []Material
	People        []Person
	Jobs          []Job
	Shifts        []Shift
	Instruments   []Instrument
	Settings      []Setting
	Mappings      []LogMapping
	FirstLayers   []FirstLayer
	Cleanings     []Cleaning
	Probes        []Probe
	ProbesSkipped []ProbeSkipped
	OffsetChanges []OffsetChange
	Services      []Service
	Fittings      []Fitting
	PlateStates   []PlateState
	Holds         []Hold
	Disagreements []Disagreement
	AdviceDone    []AdviceDone
	TasksSkipped  []TaskSkipped
	Policies      []Policy
	Handovers     []Handover
	Entries       []HandoverEntry
	JobForecasts  []JobForecast
	Photos        []Photo
	Sheets        []EvidenceSheet

	Regrades       []Regrade
	PracticeItems  []PracticeItem
	Qualifications []Qualification
	Draws          []Draw

	CaseSteps    []CaseStep
	PlannedTests []PlannedTest
}
