package wav

import "io"

const (
	// bufferBytes is how much of the source is held at once: large enough that
	// the cost of a read call vanishes, small enough for a second-level cache.
	bufferBytes = 256 << 10
	// slack is kept readable behind the buffer, so that a decoder may load
	// eight bytes where its last sample has fewer.
	slack = 8
	// maxEmptyReads is how often in a row a source may return nothing and no
	// error before it is taken as broken.
	maxEmptyReads = 100
)

// source hands out the bytes of a reader in pieces of the caller's choice,
// however the reader splits them. It never waits for more than was asked for.
type source struct {
	r        io.Reader
	buf      []byte // bufferBytes long, slack more in capacity
	pos, end int    // what is buffered and not taken: buf[pos:end]
	off      int64  // bytes taken so far
	err      error  // what ended the reader, io.EOF included
}

func newSource(r io.Reader) source {
	return source{r: r, buf: make([]byte, bufferBytes, bufferBytes+slack)}
}

// fill buffers n bytes (at most bufferBytes) and returns how many are
// buffered: fewer than n only when the reader has ended, for the reason in err.
func (s *source) fill(n int) int {
	if s.end-s.pos >= n {
		return s.end - s.pos
	}
	if s.pos > 0 {
		s.end = copy(s.buf, s.buf[s.pos:s.end])
		s.pos = 0
	}
	empty := 0
	for s.end < n && s.err == nil {
		k, err := s.r.Read(s.buf[s.end:])
		s.end += k
		s.err = err
		if k > 0 {
			empty = 0
		} else if empty++; empty >= maxEmptyReads && err == nil {
			s.err = io.ErrNoProgress
		}
	}
	return s.end - s.pos
}

// peek returns up to n buffered bytes without taking them.
func (s *source) peek(n int) []byte {
	n = min(n, s.fill(n))
	return s.buf[s.pos : s.pos+n]
}

// take takes n bytes that are buffered; they stay valid until the next fill.
func (s *source) take(n int) []byte {
	b := s.buf[s.pos : s.pos+n]
	s.pos += n
	s.off += int64(n)
	return b
}

// skip takes up to n bytes without keeping them and returns how many there
// were.
func (s *source) skip(n int64) int64 {
	var done int64
	for done < n {
		k := int(min(n-done, bufferBytes))
		if have := s.fill(1); have == 0 {
			break
		} else {
			k = min(k, have)
		}
		s.take(k)
		done += int64(k)
	}
	return done
}

// broken returns the reader's error, nil when it is only at its end.
func (s *source) broken() error {
	if s.err == io.EOF {
		return nil
	}
	return s.err
}
