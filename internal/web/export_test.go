package web

// ManyRecord tells tests whether a crowd of machines was met.
func (s *Server) ManyRecord() bool { return s.crowd.many() }

// PageFirst is somebody who waits for a page.
func (s *Server) PageFirst() (answered func()) { return s.crowd.pageFirst() }
