package dsp

import "math"

// transform is the discrete Fourier transform of n real numbers, n a power of two of
// 4 at least: X[k] = Σ x[j]·exp(-2πi·jk/n), as gonum's fourier.FFT has it. Tables of
// band limits need thousands of them, all of a few lengths, and it takes a third of
// that one's time. It is Stockham's form, which orders as it goes, in steps of four (Van Loan,
// Computational Frameworks for the Fast Fourier Transform, 1992, ch. 1.7 and 2.4), of
// the even samples as real and the odd ones as imaginary parts (the same, ch. 4.3).
type transform struct {
	n    int
	turn []complex128 // exp(-2πi·k/n), k < n
	a, b []complex128 // work space, n/2 each
}

func newTransform(n int) *transform {
	t := &transform{n: n, turn: make([]complex128, n), a: make([]complex128, n/2), b: make([]complex128, n/2)}
	for k := range t.turn {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / float64(n))
		t.turn[k] = complex(cos, -sin)
	}
	return t
}

// coefficients sets c, of n/2+1, to the transform of x, of n.
func (t *transform) coefficients(c []complex128, x []float64) {
	half := t.n / 2
	c, x = c[:half+1], x[:t.n]
	for k := range t.a {
		t.a[k] = complex(x[2*k], x[2*k+1])
	}
	z := t.complex()
	c[0], c[half] = complex(real(z[0])+imag(z[0]), 0), complex(real(z[0])-imag(z[0]), 0)
	for k := 1; k <= half/2; k++ {
		p, q := z[k], z[half-k]
		even := complex(real(p)+real(q), imag(p)-imag(q)) / 2
		odd := complex(imag(p)+imag(q), real(q)-real(p)) / 2 * t.turn[k]
		c[k] = even + odd
		d := even - odd
		c[half-k] = complex(real(d), -imag(d))
	}
}

// sequence sets x, of n, to n times that whose transform is c, of n/2+1.
func (t *transform) sequence(x []float64, c []complex128) {
	half := t.n / 2
	c, x = c[:half+1], x[:t.n]
	// The way back is the way there with the sign of i changed, of what goes in
	// and of what comes out.
	t.a[0] = complex(real(c[0])+real(c[half]), real(c[half])-real(c[0]))
	for k := 1; k <= half/2; k++ {
		p, q := c[k], c[half-k]
		even := complex(real(p)+real(q), imag(p)-imag(q))
		w := t.turn[k]
		odd := complex(real(p)-real(q), imag(p)+imag(q)) * complex(real(w), -imag(w))
		// even + i·odd, and its partner conj(even) + i·conj(odd).
		t.a[k] = complex(real(even)-imag(odd), -imag(even)-real(odd))
		t.a[half-k] = complex(real(even)+imag(odd), imag(even)-real(odd))
	}
	for k, v := range t.complex() {
		x[2*k], x[2*k+1] = real(v), -imag(v)
	}
}

// complex is the transform of the n/2 complex numbers in a; it lies in one of the
// work spaces.
func (t *transform) complex() []complex128 {
	x, y := t.a, t.b
	m, s := t.n/2, 1 // length of what is left to transform, and how many of them
	for ; m >= 4; m, s = m/4, s*4 {
		quarter := m / 4
		each := t.n / m
		for p := range quarter {
			w1, w2, w3 := t.turn[p*each], t.turn[2*p*each], t.turn[3*p*each]
			a, b, c, d := x[p*s:][:s], x[(p+quarter)*s:][:s], x[(p+2*quarter)*s:][:s], x[(p+3*quarter)*s:][:s]
			y0, y1, y2, y3 := y[4*p*s:][:s], y[(4*p+1)*s:][:s], y[(4*p+2)*s:][:s], y[(4*p+3)*s:][:s]
			for q, a := range a {
				b, c, d := b[q], c[q], d[q]
				ac, bd := a+c, b+d
				a -= c
				b -= d
				b = complex(-imag(b), real(b))
				y0[q] = ac + bd
				y1[q] = w1 * (a - b)
				y2[q] = w2 * (ac - bd)
				y3[q] = w3 * (a + b)
			}
		}
		x, y = y, x
	}
	if m == 2 {
		for q := range s {
			a, b := x[q], x[q+s]
			y[q], y[q+s] = a+b, a-b
		}
		x = y
	}
	return x
}
