package farm

import "time"

// Printer is one machine.
type Printer struct {
	Tag, Name, Bay  string
	BedXMM, BedYMM  float64 // 50 to 2000
	ZoneCols        int     // 1 to 9, default 3; columns A.. from the left
	ZoneRows        int     // 1 to 9, default 3; rows 1.. from the front
	ZStepMM         float64 // default 0.01
	ZeroFrom        string  // plate, frame; "" unknown
	ProbingRecorded string  // all, some, none; default all
	InServiceFrom   time.Time
	RetiredAt       time.Time
}

// Screw is one levelling screw of a printer's bed.
type Screw struct {
	Printer, Screw string
	XMM, YMM       float64 // from the bed's front left corner
	PitchMM        float64 // rise per turn
	RetiredAt      time.Time
}

// Plate is one removable build plate.
type Plate struct {
	Tag, Surface     string
	SizeXMM, SizeYMM float64
	InServiceFrom    time.Time
	RetiredAt        time.Time
}

// Material is a feedstock by its short name.
type Material struct {
	Name, Polymer string
	BedTempC      float64
	Note          string
	RetiredAt     time.Time
}

// Person is somebody of the crew, known by a handle.
type Person struct {
	Handle, Name string
	Role         string // operator, manager, admin; default operator
}

// Job is an order.
type Job struct {
	Job, Name          string
	Quantity           int // 0 unknown
	PlatesNeeded       int // 0 unknown
	HoursPerPlate      float64
	FirstLayerMinutes  float64
	Material           string
	Underside          string // hidden, shown
	EarliestStart, Due time.Time
	Value              float64
	LateFeePerHour     float64
	ClosedAt           time.Time
}

// Shift is one person's turn.
type Shift struct {
	Shift, Person    string
	StartsAt, EndsAt time.Time
	Bay              string
	CancelledAt      time.Time
}

// Instrument is a gauge or scale readings are taken with.
type Instrument struct {
	Instrument, Kind    string
	ResolutionMM        float64
	UncertaintyMM       float64
	CheckedAt, CheckDue time.Time
	CheckResult         string
	RetiredAt           time.Time
}

// Setting is one setting of the farm by key and stored text.
type Setting struct{ Key, Value string }

// LogMapping says how a log with other headings and words is read; Says is JSON
// (intake.Mapping).
type LogMapping struct {
	Mapping, Says string
	RetiredAt     time.Time
}
