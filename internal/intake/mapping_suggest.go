package intake

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"basecourse/internal/farm"
)

// headingWords are words by which headings of logs are recognised, in English
// and German: common words of the trade, no source.
var headingWords = map[string][]string{
	"printer":         {"printer", "machine", "drucker", "maschine", "gerät", "printer id", "machine no", "machine id", "maschinennummer", "imprimante", "impresora"},
	"plate":           {"plate", "build plate", "bed plate", "sheet", "platte", "druckplatte", "bauplatte", "plate id", "plattennummer"},
	"started_at":      {"started at", "start", "started", "start time", "begin", "begonnen", "gestartet", "startzeit", "beginn"},
	"grade":           {"grade", "rating", "result", "verdict", "quality", "note", "bewertung", "ergebnis", "urteil", "qualität"},
	"grader":          {"grader", "graded by", "inspector", "prüfer", "bewertet von"},
	"graded_at":       {"graded at", "checked at", "bewertet am", "geprüft am"},
	"material":        {"material", "filament", "werkstoff"},
	"lot":             {"lot", "batch", "spool", "charge", "rolle", "spule"},
	"nozzle_mm":       {"nozzle", "nozzle diameter", "düse", "düsendurchmesser"},
	"job":             {"job", "order", "auftrag", "project", "projekt"},
	"layer_height_mm": {"layer height", "height", "schichthöhe"},
	"line_width_mm":   {"line width", "width", "linienbreite"},
	"marks":           {"mark", "marks", "defect", "defects", "fault", "fehler", "fehlerbild", "mangel", "seen"},
	"nudge_mm":        {"nudge", "z move", "baby step", "z-korrektur", "nachgestellt", "versatz"},
	"outcome":         {"outcome", "end", "ausgang"},
	"decision":        {"decision", "entscheidung"},
	"probed":          {"probed", "levelled", "leveled", "vermessen", "nivelliert"},
	"plate_side":      {"side", "plate side", "seite"},
	"underside":       {"underside", "unterseite"},
	"cleaned_at":      {"cleaned at", "cleaned", "gereinigt am", "gereinigt"},
	"method":          {"method", "cleaning", "how", "type", "wie", "typ", "art", "methode", "reinigung", "reinigungsart"},
	"agent":           {"agent", "with", "solvent", "mittel", "reiniger", "reinigungsmittel"},
	"person":          {"person", "by", "who", "operator", "name", "user", "mitarbeiter", "bediener", "wer", "von"},
	"note":            {"note", "notes", "comment", "remark", "bemerkung", "kommentar", "anmerkung"},
	"probed_at":       {"probed at", "probed", "measured at", "vermessen am", "gemessen am"},
	"extent":          {"extent", "umfang"},
	"bed_temp_c":      {"bed temp", "bed temperature", "bed", "betttemperatur", "bett"},
	"soak_minutes":    {"soak", "soak minutes", "heat soak", "durchwärmzeit"},
	"reason":          {"reason", "why", "grund", "warum"},
	"changed_at":      {"changed at", "changed", "geändert am", "geändert"},
	"from_mm":         {"from", "old", "before", "von", "alt", "vorher", "old offset"},
	"to_mm":           {"to", "new", "after", "offset", "z offset", "versatz", "auf", "neu", "nachher", "new offset"},
	"done_at":         {"done at", "done", "erledigt am", "erledigt"},
	"work":            {"work", "what", "task", "arbeit", "tätigkeit", "wartung"},
	"fitted_at":       {"fitted at", "fitted", "mounted", "aufgelegt", "eingelegt"},
	"removed_at":      {"removed at", "removed", "abgenommen", "entnommen"},
	"state":           {"state", "status", "zustand"},
	"noted_by":        {"noted by", "entered by", "eingetragen von"},
	"noted_at":        {"noted at", "entered at", "eingetragen am"},
}

var (
	whenWords  = []string{"timestamp", "date time", "datetime", "date", "when", "at", "zeitpunkt", "datum", "tag", "day", "datum uhrzeit", "zeitstempel"}
	clockWords = []string{"time", "clock", "uhrzeit", "zeit", "time of day"}
	zoneWords  = []string{"zone", "area", "place", "where", "position", "wo", "ort", "bereich", "stelle"}
	nothings   = []string{"-", "–", "—", "n/a", "na", "none", "null", "k.a.", "k. a.", "unknown", "unbekannt", "?", "./."}
)

// codeWords are words for our codes, by code: common words of the trade, no
// source. The codes themselves and their words with blanks need no line.
var codeWords = map[string][]string{
	"clean":    {"good", "ok", "perfect", "gut", "sauber", "einwandfrei", "clean layer"},
	"cosmetic": {"visible", "kosmetisch", "optisch"},
	"marginal": {"borderline", "doubtful", "grenzwertig", "mäßig"},
	"failed":   {"bad", "fail", "failure", "scrap", "schlecht", "fehlschlag", "misslungen", "ausschuss"},
	"wipe":     {"wiped", "wischen", "gewischt", "abgewischt", "alcohol", "alkohol"},
	"wash":     {"washed", "waschen", "gewaschen", "soap", "dish soap", "spülmittel"},
	"deep":     {"deep clean", "deep cleaned", "gründlich", "grundreinigung"},
	"coat":     {"coated", "glue", "beschichtet", "kleber"},
	"yes":      {"y", "true", "1", "x", "ja", "j", "wahr"},
	"no":       {"n", "false", "0", "nein", "falsch"},
	"finished": {"done", "fertig"}, "detached": {"came off", "abgelöst"}, "scrapped": {"scrap", "ausschuss"}, "restarted": {"restart", "neustart", "neu gestartet"},
	"nozzle": {"nozzle change", "düse", "düsenwechsel"}, "moved": {"relocated", "umgestellt", "umgezogen"}, "bed": {"bett", "bed work"}, "other": {"else", "sonstiges", "anderes"},
	"hurry": {"no time", "eile", "zeitdruck"}, "trusted": {"vertraut"}, "short_job": {"short", "kurzer auftrag"}, "broken": {"defect", "defekt", "kaputt"}, "told_to": {"angewiesen"},
	"full": {"whole", "ganz", "voll"}, "part": {"partial", "teil"}, "zero": {"null"}, "in_use": {"used", "in gebrauch"}, "in_wash": {"wäsche"}, "set_aside": {"aside", "beiseite"}, "retired": {"scrapped", "ausgemustert"},
	"let_run": {"continued", "weiterlaufen"}, "nudged": {"adjusted", "nachgestellt"}, "stopped": {"aborted", "cancelled", "canceled", "abgebrochen", "gestoppt"},
	"a": {"front", "oben", "vorderseite"}, "b": {"back", "unten", "rückseite"}, "hidden": {"verdeckt"}, "shown": {"sichtbar"},
}

// unitForms are the ends of headings that say a unit.
var unitForms = func() (list [][2]string) {
	for _, u := range [][2]string{{"µm", "um"}, {"μm", "um"}, {"micron", "um"}, {"um", "um"}, {"mm", "mm"}, {"inch", "in"}} {
		for _, form := range []string{"[%s]", "(%s)", " in %s", "_%s", " %s"} {
			list = append(list, [2]string{fmt.Sprintf(form, u[0]), u[1]})
		}
	}
	return list
}()

// plainHeading is a heading without signs and units.
func plainHeading(heading string) (words, unit string) {
	h := strings.ToLower(heading)
	for _, f := range unitForms {
		if rest, ok := strings.CutSuffix(h, f[0]); ok {
			h, unit = rest, f[1]
			break
		}
	}
	return strings.Join(strings.FieldsFunc(h, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) }), " "), unit
}

// Suggest makes a mapping of what a log's headings and cells show, with the
// reason for each choice; what nothing decides is asked for and stays open. zone
// is the farm's, "" where that is not known; markOf tells a mark by any of its names ("" none).
func Suggest(s *Survey, name string, kind farm.Kind, zone string, markOf func(word string) string) (*Mapping, []Reason) {
	t := TableOf(kind)
	m := &Mapping{Name: name, Kind: kind, Encoding: s.Encoding, Delimiter: s.Delimiter, Fields: map[string]FieldMap{}}
	if s.HeaderRow > 1 {
		m.HeaderRow = s.HeaderRow
	}
	g := &suggester{Survey: s, m: m, t: t, taken: make([]bool, len(s.Columns)), reasons: slices.Clone(s.Reasons), markOf: markOf}
	for i := range s.Columns {
		h, _ := plainHeading(s.Columns[i].Heading)
		g.plain = append(g.plain, h)
	}
	g.when()
	g.others()
	g.signs()
	if g.local && zone == "" {
		g.say(t.Fields[t.When].Name, true, "Times have no offset. Say in which zone the log was kept, for example Europe/Berlin.")
	} else if g.local {
		m.Zone = zone
		g.say(t.Fields[t.When].Name, false, "Times without an offset are taken as the farm's own, %s. Choose another zone if the log is from elsewhere.", zone)
	}
	return m, g.reasons
}

type suggester struct {
	*Survey
	m       *Mapping
	t       *Table
	plain   []string // headings as plainHeading writes them
	taken   []bool
	reasons []Reason
	local   bool // some time has no offset
	markOf  func(string) string
}

func (g *suggester) say(field string, ask bool, format string, args ...any) {
	g.reasons = append(g.reasons, Reason{field, fmt.Sprintf(format, args...), ask})
}

// column finds a column by words for its heading, the best fit first; -1 none.
func (g *suggester) column(words []string, fits func(*ColumnSurvey) bool) int {
	for _, w := range words {
		for i := range g.Columns {
			if !g.taken[i] && g.plain[i] == w && fits(&g.Columns[i]) {
				return i
			}
		}
	}
	for _, w := range words {
		for i := range g.Columns {
			if !g.taken[i] && len(w) > 3 && strings.Contains(" "+g.plain[i]+" ", " "+w+" ") && fits(&g.Columns[i]) {
				return i
			}
		}
	}
	return -1
}

func anyColumn(*ColumnSurvey) bool { return true }

func isDate(c *ColumnSurvey) bool {
	d := &c.dates
	return c.Filled > 0 && (d.dates+d.seconds+d.millis)*10 >= c.Filled*9
}

func isClock(c *ColumnSurvey) bool {
	return c.Filled > 0 && c.dates.clocks*10 >= c.Filled*9 && c.dates.dates == 0
}

// when finds when it happened: one column, or a day and a time of day.
func (g *suggester) when() {
	f := &g.t.Fields[g.t.When]
	i := g.column(append(slices.Clone(headingWords[f.Name]), whenWords...), isDate)
	if i < 0 {
		for n := range g.Columns {
			if isDate(&g.Columns[n]) {
				i = n
				break
			}
		}
	}
	if i < 0 {
		g.say(f.Name, true, "No column looks like dates. Say which one tells when it happened.")
		return
	}
	g.taken[i] = true
	fm := FieldMap{From: []string{g.Columns[i].Heading}}
	g.say(f.Name, false, "“%s” holds dates.", g.Columns[i].Heading)
	g.order(f.Name, &g.Columns[i], &fm)
	if c := &g.Columns[i]; c.dates.clocks*2 < c.Filled && c.dates.seconds+c.dates.millis == 0 {
		if n := g.column(clockWords, isClock); n >= 0 {
			g.taken[n] = true
			fm.From = append(fm.From, g.Columns[n].Heading)
			g.say(f.Name, false, "“%s” holds the time of day.", g.Columns[n].Heading)
			g.local = g.local || g.Columns[n].dates.offsets < g.Columns[n].Filled
		} else {
			g.say(f.Name, true, "The rows say no time of day. Say one for all of them, for example 12:00; how many prints lay between is then not known to the hour.")
		}
	}
	g.m.Fields[f.Name] = fm
}

// order finds in which order day, month and year stand, from the log's own
// values.
func (g *suggester) order(field string, c *ColumnSurvey, fm *FieldMap) {
	d := &c.dates
	g.local = g.local || d.offsets < d.clocks
	if d.twoDigits > 0 {
		g.say(field, true, "%s of “%s” have years of two digits. Say their century.", counted(d.twoDigits, "row"), c.Heading)
	}
	switch {
	case d.seconds > d.dates+d.millis:
		fm.Order = "unix"
		g.say(field, false, "“%s” holds seconds since 1970: ten digits.", c.Heading)
	case d.millis > d.dates+d.seconds:
		fm.Order = "unix_ms"
		g.say(field, false, "“%s” holds milliseconds since 1970: thirteen digits.", c.Heading)
	case d.yearFirst == d.dates:
		fm.Order = "ymd"
		g.say(field, false, "Year first: every date of “%s” begins with four digits.", c.Heading)
	case d.dayFirst != "" && d.monthFirst != "":
		g.say(field, true, "“%s” in line %d can only have the day first, “%s” in line %d only the month. Say which is right; rows of the other form are refused.", d.dayFirst, d.dayLine, d.monthFirst, d.monthLine)
	case d.dayFirst != "" && d.day == 0, d.dayFirst != "":
		fm.Order = "dmy"
		g.say(field, false, "Day first: “%s” in line %d.", d.dayFirst, d.dayLine)
	case d.monthFirst != "":
		fm.Order = "mdy"
		g.say(field, false, "Month first: “%s” in line %d.", d.monthFirst, d.monthLine)
	default:
		g.say(field, true, "No date of “%s” has a day above 12: whether day or month comes first cannot be told from the log. Say it.", c.Heading)
	}
}

func counted(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}

// others finds the other fields by their headings.
func (g *suggester) others() {
	for _, f := range Mappable(g.t) {
		if _, done := g.m.Fields[f.Name]; done {
			continue
		}
		fits := anyColumn
		if f.Type == Time {
			fits = isDate
		}
		i := g.column(headingWords[f.Name], fits)
		if i < 0 {
			if f.Required {
				g.say(f.Name, true, "No heading looks like %s. Say which column holds it, or one value for all rows.", f.Name)
			}
			continue
		}
		c := &g.Columns[i]
		g.taken[i] = true
		fm := FieldMap{From: []string{c.Heading}}
		switch f.Type {
		case Code:
			g.codes(f, c, &fm)
		case Marks:
			g.marks(f, c, &fm)
		case Time:
			g.order(f.Name, c, &fm)
		}
		if _, unit := plainHeading(c.Heading); unit != "" && InMM(f) {
			fm.Unit = unit
			g.say(f.Name, false, "“%s” says its unit.", c.Heading)
		}
		g.m.Fields[f.Name] = fm
		g.say(f.Name, false, "Its heading is “%s”.", c.Heading)
	}
}

func (g *suggester) codes(f *Field, c *ColumnSurvey, fm *FieldMap) {
	fm.Words = map[string]string{}
	var open []string
	for _, v := range c.Values {
		w := fold(v.Text)
		code := ""
		for _, k := range f.Codes {
			if w == k || w == strings.ReplaceAll(k, "_", " ") || slices.Contains(codeWords[k], w) {
				code = k
				break
			}
		}
		switch {
		case slices.Contains(nothings, w):
			fm.Words[v.Text] = ""
		case code == "":
			open = append(open, "“"+v.Text+"”")
		case code != w:
			fm.Words[v.Text] = code
		}
	}
	if len(open) > 0 {
		g.say(f.Name, true, "Say what %s means in “%s”.", strings.Join(open[:min(len(open), 10)], ", "), c.Heading)
	}
}

func (g *suggester) marks(f *Field, c *ColumnSurvey, fm *FieldMap) {
	fm.Words = map[string]string{}
	for _, v := range c.Values {
		if slices.Contains(nothings, fold(v.Text)) {
			fm.Words[v.Text] = ""
		} else if code := g.markOf(fold(v.Text)); code != "" {
			fm.Words[v.Text] = code
		}
	}
	if i := g.column(zoneWords, anyColumn); i >= 0 {
		g.taken[i] = true
		fm.ZonesFrom = []string{g.Columns[i].Heading}
	} else {
		g.say(f.Name, true, "The log does not say where marks are. Name the zones, or leave the marks out.")
	}
	g.say(f.Name, true, "Say how strong a mark is where the log does not: 1 slight, 2 clear, 3 strong.")
}

// signs finds the decimal sign and the words for nothing.
func (g *suggester) signs() {
	comma, point := 0, 0
	where := ""
	for _, f := range Mappable(g.t) {
		fm, there := g.m.Fields[f.Name]
		if !there || f.Type != Number {
			continue
		}
		for i := range g.Columns {
			c := &g.Columns[i]
			if !slices.Contains(fm.From, c.Heading) {
				continue
			}
			if c.comma > 0 && comma == 0 {
				comma, where = c.comma, c.Heading
			}
			if c.point > 0 && point == 0 {
				point = c.point
			}
		}
	}
	switch {
	case comma > 0 && point > 0:
		g.say("", true, "Line %d has a decimal comma, line %d a decimal point. Say which is right; rows of the other form are refused.", comma, point)
	case comma > 0:
		g.m.Decimal = ","
		g.say("", false, "Decimal comma: “%s” in line %d.", where, comma)
	}
}
