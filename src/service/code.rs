//! The way to the page as a code on the sign itself, for a phone's camera.

use super::config::Config;
use super::token::Tokens;
use crate::build::Build;
use crate::frame::{Frame, FrameSpec, lit_fractions};
use crate::plan::Pictures;
use crate::scan::{self, ScanProgram};
use qrcode::{Color, EcLevel, QrCode};
use std::sync::Arc;

/// Light border that readers need, in modules (ISO/IEC 18004, 6.3.8).
const BORDER: usize = 4;
const WHITE: u8 = 7;

/// The address of the page with the token to act, as a phone opens it: the token stands behind `#`, so that it reaches no log.
///
/// # Errors
/// Where no phone could reach the address.
pub fn address(config: &Config, tokens: &Tokens) -> Result<String, String> {
    let listen = config.http.listen;
    let host = match config.http.hosts.first() {
        Some(name) if name.contains(':') => name.clone(),
        Some(name) => format!("{name}:{}", listen.port()),
        None if listen.ip().is_loopback() || listen.ip().is_unspecified() => {
            return Err(format!(
                "no phone reaches {listen}: set `listen` in the configuration to the board's own address, or name the board in `hosts`"
            ));
        }
        None => listen.to_string(),
    };
    Ok(format!("http://{host}/login#{}", tokens.operator()))
}

/// The code on the wall, as large as it fits.
///
/// # Errors
/// Where the wall is too small for it.
pub fn on_wall(build: &Build, text: &str) -> Result<Frame, String> {
    let code = QrCode::with_error_correction_level(text, EcLevel::L).map_err(|e| format!("the address does not fit a code: {e}"))?;
    let (modules, colours) = (code.width(), code.to_colors());
    let size = build.wall_size();
    let all = modules + 2 * BORDER;
    let pixels = usize::from(size[0].min(size[1])) / all;
    if pixels == 0 {
        return Err(format!("the code takes {all} × {all} pixels and the wall has {} × {}: type the token instead", size[0], size[1]));
    }
    let corner = size.map(|s| (usize::from(s) - all * pixels) / 2);
    let mut frame = Frame::black(size);
    for y in 0..all * pixels {
        for x in 0..all * pixels {
            let inside = |v: usize| (v / pixels).checked_sub(BORDER).filter(|m| *m < modules);
            let dark = inside(x).zip(inside(y)).is_some_and(|(x, y)| colours[y * modules + x] == Color::Dark);
            if !dark {
                frame.set([(corner[0] + x) as u16, (corner[1] + y) as u16], WHITE);
            }
        }
    }
    Ok(frame)
}

/// One picture, whatever is asked for but black.
pub struct One<'a> {
    /// The build.
    pub build: &'a Build,
    /// The picture.
    pub frame: Frame,
}

impl Pictures for One<'_> {
    fn lit(&mut self, spec: &FrameSpec, duty: u16) -> Vec<[f64; 3]> {
        let share = self.program(spec, duty).lit_share();
        lit_fractions(self.build, &self.frame(spec)).into_iter().map(|panel| panel.map(|c| c * share)).collect()
    }
    fn frame(&self, spec: &FrameSpec) -> Frame {
        if *spec == FrameSpec::Black { spec.draw(self.build) } else { self.frame.clone() }
    }
    fn program(&mut self, spec: &FrameSpec, duty: u16) -> Arc<ScanProgram> {
        Arc::new(scan::compile(self.build, &self.frame(spec), duty))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn demo() -> Build {
        let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/config/water-taxi.toml")).unwrap();
        crate::build::load(&text, "water-taxi.toml").unwrap_or_else(|p| panic!("{}", p.render(false)))
    }

    #[test]
    fn an_independent_reader_reads_the_code_off_the_wall() {
        let text = "http://192.168.100.200:8380/login#abcdef-ghjkmn-pqrstu-vwxyz2";
        let frame = on_wall(&demo(), text).unwrap();
        let [w, h] = frame.size();
        let seen = |x: usize, y: usize| if frame.get([x as u16, y as u16]) == WHITE { 255 } else { 0 };
        // a camera sees more than one point a pixel
        let mut image = rqrr::PreparedImage::prepare_from_greyscale(4 * usize::from(w), 4 * usize::from(h), |x, y| seen(x / 4, y / 4));
        let grids = image.detect_grids();
        assert_eq!(grids.len(), 1);
        assert_eq!(grids[0].decode().unwrap().1, text);
    }

    #[test]
    fn a_wall_that_is_too_small_is_named() {
        let why = on_wall(&demo(), &"x".repeat(1000)).unwrap_err();
        assert!(why.contains("192 × 64"), "{why}");
    }

    #[test]
    fn an_address_that_no_phone_reaches_is_not_shown() {
        let dir = tempfile::tempdir().unwrap();
        let (tokens, _) = Tokens::load_or_make(&dir.path().join("tokens.toml")).unwrap();
        let config = |http: &str| Config::parse(&format!("rig = \"sim\"\nbuild = \"b\"\n[http]\n{http}")).unwrap();
        assert!(address(&config(""), &tokens).unwrap_err().contains("listen"));
        assert!(address(&config("listen = \"0.0.0.0:8380\""), &tokens).is_err());
        let own = address(&config("listen = \"192.0.2.7:8380\""), &tokens).unwrap();
        assert_eq!(own, format!("http://192.0.2.7:8380/login#{}", tokens.operator()));
        let named = address(&config("listen = \"0.0.0.0:8380\"\nhosts = [\"sign.local\"]"), &tokens).unwrap();
        assert!(named.starts_with("http://sign.local:8380/login#"), "{named}");
    }
}
