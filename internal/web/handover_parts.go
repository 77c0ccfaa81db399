package web

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
	"basecourse/views"
)

const (
	handoverLines  = 3 // of one part: a handover fits on a screen
	handoverProofs = 8 // fixes whose proofs are counted, the latest
)

// proofsWithin is how far back a fix may lie whose proof is handed over.
const proofsWithin = 14 * 24 * time.Hour

// handoverParts writes what the next shift must know as of now; since is when what
// changed begins.
func (s *Server) handoverParts(ctx context.Context, frame store.Frame, now, since time.Time) ([]views.HandoverPart, error) {
	zone, end := frame.Settings.Zone(), windowEnd(frame, now)
	// What the questions below need is read beside one another.
	var running []store.RunningLayer
	var unseen int
	var work store.ShiftWork
	var tablets []store.Tablet
	var looked string
	beside := make(chan error, 2)
	go func() {
		var err, err2 error
		work, err = s.store.ShiftWork(ctx, since, now)
		tablets, err2 = s.store.Tablets(ctx)
		beside <- errors.Join(err, err2)
	}()
	go func() {
		var err, err2 error
		running, err = s.store.RunningLayers(ctx, now)
		_, unseen, err2 = s.unseenPrinters(ctx, end)
		var err3 error
		looked, err3 = s.lookDone(ctx, frame, now)
		beside <- errors.Join(err, err2, err3)
	}()
	parts, err := s.handoverFirst(ctx, frame, now)
	if err := errors.Join(err, <-beside, <-beside); err != nil {
		return nil, err
	}
	parts = append(parts, lookPart(s.openPart(running, unseen), looked, s.hrefOf("/round")))
	if p := s.waitingPart(tablets, zone); p.Count > 0 {
		parts = append(parts, p)
	}
	return append(parts, s.changedPart(&work, since, now, zone)), nil
}

// waitingPart tells which shared tablets have entries that they did not send yet, by what
// they said last.
func (s *Server) waitingPart(tablets []store.Tablet, zone *time.Location) views.HandoverPart {
	p := views.HandoverPart{ID: "waiting", Title: "Not sent from tablets"}
	for _, x := range tablets {
		if x.Unsent == nil || *x.Unsent == 0 || x.UnsentAt == nil {
			continue
		}
		p.Count += *x.Unsent
		words := counted(*x.Unsent, "entry", "entries") + ", said " + clock(*x.UnsentAt, zone)
		if x.RevokedAt != nil {
			words += "; revoked, to be sent from the tablet by hand"
		}
		p.Lines = append(p.Lines, views.Fact{Word: x.Name, Value: words})
	}
	if n := len(p.Lines) - handoverLines; n > 0 {
		p.Lines = append(p.Lines[:handoverLines], views.Fact{Value: "and " + count(n) + " more tablets"})
	}
	return p
}

// handoverFirst are the parts about what must be done: holds, what is due, proofs.
func (s *Server) handoverFirst(ctx context.Context, frame store.Frame, now time.Time) ([]views.HandoverPart, error) {
	zone, end := frame.Settings.Zone(), windowEnd(frame, now)
	holds, err := s.store.OpenHolds(ctx, now)
	if err != nil {
		return nil, err
	}
	parts := []views.HandoverPart{s.heldPart(holds, zone)}
	stands, found, err := s.stands(ctx, frame, now, "")
	if err != nil {
		return nil, err
	}
	parts = append(parts, s.duePart(stands, found))
	proofs, err := s.proofsPart(ctx, end, zone)
	if err != nil {
		return nil, err
	}
	return append(parts, proofs), nil
}

// cut keeps the lines there is room for and says how many are left out.
func (s *Server) cut(p views.HandoverPart, more string) views.HandoverPart {
	if n := len(p.Lines) - handoverLines; n > 0 {
		p.Lines, p.More, p.MoreHref = p.Lines[:handoverLines], "and "+count(n)+" more", s.url(more)
	}
	return p
}

func (s *Server) heldPart(holds []*farm.Hold, zone *time.Location) views.HandoverPart {
	p := views.HandoverPart{ID: "held", Title: "On hold", Count: len(holds), None: "Nothing is on hold.", State: printerStates["hold"]}
	for _, x := range slices.Backward(holds) { // the latest first
		p.Lines = append(p.Lines, views.Fact{Word: x.Subject, Href: s.url("/" + x.SubjectKind + "s/" + url.PathEscape(x.Subject)),
			Value: strings.TrimSuffix(sentenceLower(orNoRecord(x.Reason)), ".") + ", since " + clock(x.PlacedAt, zone) + byWhom(x.Person)})
	}
	return s.cut(p, "/upkeep?list=holds")
}

func (s *Server) duePart(stands []stand, found *FindingList) views.HandoverPart {
	p := views.HandoverPart{ID: "due", Title: "Due before the next starts", None: "Nothing is due."}
	if found.Working || found.Missing {
		p.None = "What is due is being worked out just now."
	}
	worst := make([]*stand, 0, len(stands))
	by := map[upkeep.Task]int{}
	for i := range stands {
		for _, x := range stands[i].due {
			by[x.Task]++
			p.Count++
		}
		if len(stands[i].due) > 0 {
			worst = append(worst, &stands[i])
		}
	}
	if p.Count == 0 {
		return p
	}
	var kinds []string
	for _, code := range slices.Concat(farm.SkippedTasks, []string{"probe"}) {
		if n := by[upkeep.Task(code)]; n > 0 {
			kinds = append(kinds, strings.ToLower(wordFor(taskNouns, code))+" "+count(n))
		}
	}
	p.Sum = sentenceCase(strings.Join(kinds, ", ")) + "."
	worstFirst(worst)
	for _, x := range worst {
		p.Lines = append(p.Lines, views.Fact{Word: x.row.Printer, Href: s.url("/printers/" + url.PathEscape(x.row.Printer)), Value: lowerFirst(x.next)})
	}
	return s.cut(p, "/upkeep")
}

// proofsPart tells how the latest fixes stand: what came back, and what is proving.
func (s *Server) proofsPart(ctx context.Context, end time.Time, zone *time.Location) (views.HandoverPart, error) {
	p := views.HandoverPart{ID: "proofs", Title: "Fixes to be proved", None: "No fix of the last two weeks waits for its proof."}
	fixes, err := s.store.AdviceDoneSince(ctx, end.Add(-proofsWithin), end, 4*handoverProofs)
	if err != nil {
		return p, err
	}
	seen := map[string]bool{}
	var back, proving []views.Fact
	for _, a := range fixes {
		if key := a.SubjectKind + " " + a.Subject; proved[a.Action] && !seen[key] && len(seen) < handoverProofs {
			seen[key] = true
			of, err := s.store.ThingOf(ctx, a.SubjectKind, a.Subject)
			if err != nil {
				return p, err
			}
			v, err := s.proof(ctx, of, a, end, false, zone)
			if err != nil {
				return p, err
			}
			line := views.Fact{Word: a.Subject, Href: s.url("/" + a.SubjectKind + "s/" + url.PathEscape(a.Subject)), Value: lowerFirst(v.What) + ": " + lowerFirst(v.State.Word)}
			switch v.Code {
			case "came_back":
				line.Value = lowerFirst(v.What) + ": " + v.Words
				back = append(back, line)
			case "proving":
				proving = append(proving, line)
			}
		}
	}
	p.Lines = slices.Concat(back, proving)
	p.Count = len(p.Lines)
	return s.cut(p, "/floor"), nil
}

// openPart tells which first layers nobody has judged.
func (s *Server) openPart(running []store.RunningLayer, unseen int) views.HandoverPart {
	p := views.HandoverPart{ID: "open", Title: "First layers nobody graded", Count: len(running) + unseen, None: "Every first layer that runs is graded, and none ended unseen."}
	if len(running) > 0 {
		bays := map[string]int{}
		for i := range running {
			bays[orCode(running[i].Bay, "no bay")]++
		}
		names := make([]string, 0, len(bays))
		for b := range bays {
			names = append(names, b)
		}
		slices.SortFunc(names, func(a, b string) int {
			if naturalLess(a, b) {
				return -1
			}
			return 1
		})
		var with []string
		for i, b := range names {
			if i == 6 {
				with = append(with, "others")
				break
			}
			with = append(with, b+" "+count(bays[b]))
		}
		p.Lines = append(p.Lines, views.Fact{Word: count(len(running)) + " running", Href: s.hrefOf("/round"), Value: strings.Join(with, ", ")})
	}
	if unseen > 0 {
		p.Lines = append(p.Lines, views.Fact{Word: count(unseen) + " ended unseen", Href: s.hrefOf("/sweep"), Value: "in the last three days"})
	}
	return p
}

// hrefOf is the address of a page, "" where it is not there.
func (s *Server) hrefOf(route string) string {
	if list := s.links([]act{{"", route, route, false}}); len(list) > 0 {
		return list[0].Href
	}
	return ""
}

// changedPart counts what was done, and names what changes how things stand.
func (s *Server) changedPart(w *store.ShiftWork, since, now time.Time, zone *time.Location) views.HandoverPart {
	p := views.HandoverPart{ID: "changed", Title: "Changed since " + dayClock(since, now, zone), Count: -1}
	done := []string{counted(w.Started, "start", "starts")}
	if w.Started > 0 {
		done[0] += ", " + count(w.Failed) + " of " + count(w.Graded) + " graded failed"
	}
	for _, x := range []struct {
		n    int
		word string
	}{{w.Wiped, "wiped"}, {w.Washed, "washed"}, {w.Coated, "coated"}, {w.Probed, "probed"}, {w.Skipped, "probes skipped"}, {w.Fitted, "plates fitted"}} {
		if x.n > 0 {
			done = append(done, count(x.n)+" "+x.word)
		}
	}
	p.Sum = sentenceCase(strings.Join(done, "; ")) + "."
	for i := range w.Changes {
		x := &w.Changes[i]
		path := "/printers/"
		if x.Plate {
			path = "/plates/"
		}
		line := views.Fact{Word: x.Subject, Href: s.url(path + url.PathEscape(x.Subject))}
		var words []string
		switch x.Kind {
		case "offset_change":
			words = []string{"offset " + offsetWords(x.FromMM, x.ToMM)}
		case "service":
			words = []string{"service: " + wordFor(workWords, x.Code)}
		case "plate_state":
			words = []string{strings.ToLower(stateFor(plateStateStates, x.Code).Word)}
		case "hold":
			words = []string{"held"}
		case "release":
			words = []string{"released", wordFor(releaseWords, x.Code)}
		case "policy":
			line.Href = ""
			words = []string{"policy in force"}
			if x.Code == "yes" {
				words[0] = "policy ended"
			}
		}
		line.Value = strings.Join(slices.DeleteFunc(append(words, strings.TrimSuffix(x.Detail, "."), dayClock(x.At, now, zone)), func(w string) bool { return w == "" }), ", ")
		p.Lines = append(p.Lines, line)
	}
	p = s.cut(p, "/upkeep/recent")
	if n := w.ChangesAll - len(p.Lines); n > 0 {
		p.More = "and " + count(n) + " more"
	}
	return p
}

// handoverText is the parts as they are kept: headings, and lines under them.
func handoverText(parts []views.HandoverPart) string {
	var b strings.Builder
	for _, p := range parts {
		b.WriteString(p.Title)
		if p.Count >= 0 {
			b.WriteString(": " + strconv.Itoa(p.Count))
		}
		b.WriteString("\n")
		if p.Sum != "" {
			b.WriteString("- " + p.Sum + "\n")
		}
		for _, l := range p.Lines {
			b.WriteString("- " + strings.Join(strings.Fields(l.Word+": "+l.Value), " ") + "\n")
		}
		switch {
		case p.More != "":
			b.WriteString("- " + p.More + "\n")
		case len(p.Lines) == 0 && p.Sum == "":
			b.WriteString("- " + p.None + "\n")
		}
	}
	return strings.TrimSuffix(b.String(), "\n")
}

// handoverSaid reads kept text into parts again.
func handoverSaid(text string) []views.HandoverPart {
	var parts []views.HandoverPart
	for line := range strings.SplitSeq(text, "\n") {
		said, under := strings.CutPrefix(line, "- ")
		switch {
		case strings.TrimSpace(line) == "":
		case under && len(parts) > 0:
			p := &parts[len(parts)-1]
			p.Lines = append(p.Lines, views.Fact{Value: said})
		default:
			parts = append(parts, views.HandoverPart{ID: fmt.Sprintf("said-%d", len(parts)+1), Title: said, Count: -1})
		}
	}
	return parts
}
