package web

import (
	"context"
	"errors"
	"math"
	"net/http"
	"strings"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
)

// asks is a reading of the whole farm as of now.
func (s *Server) asks(frame store.Frame, now time.Time) asked {
	return asked{version: frame.Version, now: now, said: s.store.Said(), window: time.Duration(frame.Settings.Number("start_window_minutes") * float64(time.Minute))}
}

// wantsNewest tells whether whoever asks loads a page anew: then it is of what is there
// now. Where a page may be of a moment ago, the page itself asks so for the newest.
func wantsNewest(h http.Header) bool {
	said := h.Get("Cache-Control")
	return strings.Contains(said, "no-cache") || strings.Contains(said, "max-age=0")
}

// farmFloor reads every printer.
func (s *Server) farmFloor(ctx context.Context, a asked) (*reading[[]store.FloorPrinter], error) {
	return s.floor.read(ctx, a, func(ctx context.Context, at time.Time) ([]store.FloorPrinter, error) {
		if a.late {
			return s.store.FloorInTurn(ctx, at, a.window)
		}
		return s.store.Floor(ctx, at, a.window, "")
	})
}

// farmDrawn gives what is drawn by lot for every printer of a list.
func (s *Server) farmDrawn(ctx context.Context, a asked, list []store.FloorPrinter) (map[string][]drawnLine, error) {
	r, err := s.drawn.read(ctx, a, func(ctx context.Context, at time.Time) (map[string][]drawnLine, error) {
		return s.drawnFor(ctx, list, at)
	})
	if err != nil {
		return nil, err
	}
	return r.value, nil
}

// farmLooked says how far the look list is done.
func (s *Server) farmLooked(ctx context.Context, frame store.Frame, a asked) (string, error) {
	r, err := s.looked.read(ctx, a, func(ctx context.Context, at time.Time) (string, error) {
		return s.lookDone(ctx, frame, at)
	})
	if err != nil {
		return "", err
	}
	return r.value, nil
}

// stands reads and judges every printer (or one) as of now, by the findings given
// beside them. How long ago a start is too long goes by where the records end.
func (s *Server) stands(ctx context.Context, frame store.Frame, now time.Time, printer string) (out []stand, found *FindingList, err error) {
	out, found, _, err = s.standsAsked(ctx, frame, s.asks(frame, now), printer)
	return out, found, err
}

// standsAsked is stands as of what is asked; the version tells what the printers were
// read of.
func (s *Server) standsAsked(ctx context.Context, frame store.Frame, a asked, printer string) (out []stand, found *FindingList, version store.DataVersion, err error) {
	now, end := a.now, windowEnd(frame, a.now)
	var list []store.FloorPrinter
	var drawn map[string][]drawnLine
	version = frame.Version
	if printer == "" {
		var r *reading[[]store.FloorPrinter]
		if r, err = s.farmFloor(ctx, a); err == nil {
			list, version, a.version = r.value, r.version, r.version
			drawn, err = s.farmDrawn(ctx, a, list)
		}
	} else if list, err = s.store.Floor(ctx, now, a.window, printer); err == nil {
		drawn, err = s.drawnFor(ctx, list, now)
	}
	if err != nil {
		return nil, nil, version, err
	}
	found, err = s.latestFindings(ctx, now, frame.Version)
	if err != nil {
		return nil, nil, version, err
	}
	cost := frame.Settings.FailureCost()
	out = make([]stand, 0, len(list))
	var about []Finding
	for i := range list {
		f := &list[i]
		about = found.about(about[:0], "printer", f.Printer)
		if f.Plate != "" {
			about = found.about(about, "plate", f.Plate)
		}
		x := standOf(f, about, found.Lately[f.Printer], found.Ahead[f.Printer], now, end)
		if found.Risks != nil {
			x.loss = found.nextRisk(f.Printer).Now.P * cost
		}
		x.drawn = drawnOf(drawn[f.Printer], x.due)
		out = append(out, x)
	}
	return out, found, version, nil
}

// about adds the findings about a printer or a plate to a list.
func (l *FindingList) about(to []Finding, kind, tag string) []Finding {
	if l.About == nil {
		l.About = NewFindingsAbout(l.Items)
	}
	for _, i := range l.About[[2]string{kind, tag}] {
		to = append(to, l.Items[i])
	}
	return to
}

// latestFindings gives the findings, or none when they cannot be had just now:
// the Floor goes on without them, and says so.
func (s *Server) latestFindings(ctx context.Context, now time.Time, seen store.DataVersion) (*FindingList, error) {
	wait, cancel := context.WithTimeout(ctx, findingsPatience)
	defer cancel()
	found, err := s.cfg.Findings.Latest(wait, now, seen)
	switch {
	case err != nil && ctx.Err() == nil && errors.Is(err, context.DeadlineExceeded):
		return &FindingList{Working: true, GapSplit: math.NaN()}, nil
	case fault.Is(err, fault.Busy):
		s.log.WarnContext(ctx, "findings not read", "error", err.Error())
		return &FindingList{Missing: true, GapSplit: math.NaN()}, nil
	}
	return found, err
}

// windowEnd is where the records end: the latest start, or now while records
// keep coming.
func windowEnd(frame store.Frame, now time.Time) time.Time {
	if frame.LatestStart.IsZero() || now.Sub(frame.LatestStart) <= staleAfter {
		return now
	}
	return frame.LatestStart
}
