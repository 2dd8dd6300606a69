//! The triangles of an STL file, binary or text.

use super::MeshError;

/// Bytes before the first triangle of a binary file: 80 of header, 4 of count.
const HEAD: usize = 84;
/// Bytes of a triangle: normal and three corners of three 4-byte numbers, 2 bytes of nothing.
const EACH: usize = 50;

/// One triangle.
#[derive(Clone, Copy, Debug)]
pub(super) struct Triangle {
    pub normal: [f32; 3],
    corners: [[f32; 3]; 3],
}

impl Triangle {
    pub fn corners(&self) -> &[[f32; 3]; 3] {
        &self.corners
    }

    fn from_binary(bytes: &[u8; EACH]) -> Triangle {
        let number = |i: usize| f32::from_le_bytes([bytes[i], bytes[i + 1], bytes[i + 2], bytes[i + 3]]);
        let point = |i: usize| [number(i), number(i + 4), number(i + 8)];
        Triangle { normal: point(0), corners: [point(12), point(24), point(36)] }
    }
}

/// Where triangles come from.
pub(super) enum Source<'a> {
    Binary(&'a [[u8; EACH]]),
    Text(Vec<Triangle>),
}

impl<'a> Source<'a> {
    /// # Errors
    /// If the bytes are no STL, or not whole.
    pub fn of(bytes: &'a [u8]) -> Result<Source<'a>, MeshError> {
        let binary = bytes.get(HEAD..).map(|body| {
            let says = u32::from_le_bytes([bytes[80], bytes[81], bytes[82], bytes[83]]);
            (says, body.as_chunks::<EACH>())
        });
        // A binary header may begin with "solid" too: the length tells.
        if let Some((says, (triangles, []))) = binary
            && triangles.len() == says as usize
        {
            return if says == 0 { Err(MeshError::Empty) } else { Ok(Source::Binary(triangles)) };
        }
        let start = bytes.iter().position(|b| !b.is_ascii_whitespace()).unwrap_or(0);
        let head = &bytes[start..bytes.len().min(start + 1024)];
        let says_solid = head.get(..5).is_some_and(|word| word.eq_ignore_ascii_case(b"solid"));
        if says_solid && !head.contains(&0) {
            let triangles = text(bytes)?;
            return if triangles.is_empty() { Err(MeshError::Empty) } else { Ok(Source::Text(triangles)) };
        }
        match binary {
            Some((says, _)) => Err(MeshError::Length {
                says,
                wants: HEAD as u64 + u64::from(says) * EACH as u64,
                has: bytes.len() as u64,
            }),
            None => Err(MeshError::NotStl),
        }
    }

    /// How many; a text file of more than 2³² triangles does not fit into memory.
    pub fn len(&self) -> u32 {
        let len = match self {
            Source::Binary(all) => all.len(),
            Source::Text(all) => all.len(),
        };
        u32::try_from(len).unwrap_or(u32::MAX)
    }

    /// The first corner.
    pub fn first(&self) -> [f32; 3] {
        self.get(0).corners[0]
    }

    /// # Panics
    /// If there is no such triangle.
    pub fn get(&self, index: u32) -> Triangle {
        match self {
            Source::Binary(all) => Triangle::from_binary(&all[index as usize]),
            Source::Text(all) => all[index as usize],
        }
    }

    pub fn each(&self, mut f: impl FnMut(u32, &Triangle)) {
        match self {
            Source::Binary(all) => (0..).zip(*all).for_each(|(i, bytes)| f(i, &Triangle::from_binary(bytes))),
            Source::Text(all) => (0..).zip(all).for_each(|(i, triangle)| f(i, triangle)),
        }
    }
}

/// Words of a text, with the line they stand in.
struct Words<'a> {
    rest: &'a [u8],
    line: usize,
}

impl<'a> Words<'a> {
    fn next(&mut self) -> Option<&'a [u8]> {
        let skip = self.rest.iter().position(|b| !b.is_ascii_whitespace()).unwrap_or(self.rest.len());
        self.line += self.rest[..skip].iter().filter(|b| **b == b'\n').count();
        self.rest = &self.rest[skip..];
        let len = self.rest.iter().position(u8::is_ascii_whitespace).unwrap_or(self.rest.len());
        let (word, rest) = self.rest.split_at(len);
        self.rest = rest;
        (!word.is_empty()).then_some(word)
    }

    fn skip_line(&mut self) {
        let len = self.rest.iter().position(|b| *b == b'\n').unwrap_or(self.rest.len());
        self.rest = &self.rest[len..];
    }

    fn error<T>(&self, found: Option<&[u8]>, wanted: &'static str) -> Result<T, MeshError> {
        let found = found.map_or("the end of the file".into(), |w| {
            String::from_utf8_lossy(&w[..w.len().min(40)]).into_owned()
        });
        Err(MeshError::Text { line: self.line, found, wanted })
    }

    fn word(&mut self, wanted: &'static str) -> Result<(), MeshError> {
        match self.next() {
            Some(word) if word.eq_ignore_ascii_case(wanted.as_bytes()) => Ok(()),
            other => self.error(other, wanted),
        }
    }

    fn point(&mut self) -> Result<[f32; 3], MeshError> {
        let mut point = [0.0; 3];
        for value in &mut point {
            let word = self.next();
            let number = word.and_then(|w| std::str::from_utf8(w).ok()).and_then(|w| w.parse().ok());
            match number {
                Some(number) => *value = number,
                None => return self.error(word, "a number"),
            }
        }
        Ok(point)
    }
}

fn text(bytes: &[u8]) -> Result<Vec<Triangle>, MeshError> {
    let mut words = Words { rest: bytes, line: 1 };
    let mut triangles = Vec::new();
    words.word("solid")?;
    words.skip_line();
    loop {
        match words.next() {
            Some(word) if word.eq_ignore_ascii_case(b"facet") => {
                words.word("normal")?;
                let normal = words.point()?;
                words.word("outer")?;
                words.word("loop")?;
                let mut corners = [[0.0; 3]; 3];
                for corner in &mut corners {
                    words.word("vertex")?;
                    *corner = words.point()?;
                }
                words.word("endloop")?;
                words.word("endfacet")?;
                triangles.push(Triangle { normal, corners });
            }
            Some(word) if word.eq_ignore_ascii_case(b"endsolid") => {
                words.skip_line();
                match words.next() {
                    None => return Ok(triangles),
                    Some(word) if word.eq_ignore_ascii_case(b"solid") => words.skip_line(),
                    other => return words.error(other, "solid or the end of the file"),
                }
            }
            other => return words.error(other, "facet or endsolid"),
        }
    }
}
