package web

import (
	"context"
	"errors"
	"time"

	"basecourse/internal/fault"
)

// What is wrong with the database, as pages and the API say it.
const (
	wordsNoRoom     = "The database’s disk is full: nothing can be saved until there is room. What was answered as saved is kept."
	wordsNoRoomHere = "The disk of the server is full: nothing was stored. It can be taken in once there is room."
	wordsCrowded    = "All connections to the database are in use. Try again in a moment."
)

// why tells what keeps the database from answering, where more is known than the
// error says; "" otherwise.
func (s *Server) why(err error) string {
	switch {
	case s.cfg.NoRoom != nil && s.cfg.NoRoom():
		return wordsNoRoom
	case errors.Is(err, context.DeadlineExceeded) && s.store.Crowded():
		return wordsCrowded
	}
	return ""
}

// notReady says why the program cannot work, in the store's own words where it
// has some.
func (s *Server) notReady(err error) string {
	var refusal *fault.Error
	if why := s.why(err); why != "" {
		return why
	}
	if errors.As(err, &refusal) {
		return sentence(refusal.Detail)
	}
	return "The database does not answer, or has another schema than this program."
}

// troublePatience is how long a page waits to learn that there is room again.
const troublePatience = time.Second

// trouble says on every page what would make the next save fail; "" nothing.
func (s *Server) trouble(ctx context.Context) string {
	ctx, cancel := context.WithTimeout(ctx, troublePatience)
	defer cancel()
	if s.store.Room(ctx) != nil {
		return wordsNoRoom
	}
	return ""
}
