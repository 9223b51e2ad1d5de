//! The paper: draws clipped lines, bands, texts and axes through plotters into a string, and labels the result.
//!
//! plotters is used below its own chart builder, because that draws missing values and values outside the range in
//! places where nothing was measured; scale and clip settle both before anything is drawn.

use plotters::prelude::{BLACK, DrawingBackend, SVGBackend, ShapeStyle};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, FontStyle, IntoFont, IntoTextStyle, RGBAColor, RGBColor};

use super::clip::{Area, BAND_COLUMN, LINE_COLUMN, Point, inside, runs, thin};
use super::scale::Scale;
use super::style::{
    self, FINE, GRID, GUTTER, HAIR, HEAD, INK, LABEL, LEADING, LEFT, PAPER, QUIET, RIGHT, SMALL,
    TITLE, WIDTH,
};

/// Why plotters could not draw: with a string as target only a fault of formatting is left.
pub(super) type Fault = Box<dyn std::error::Error + Send + Sync>;

/// What every chart says about itself.
pub(super) struct Caption<'t> {
    /// Stem of the file name; makes the ids inside the drawing unique on a page.
    pub(super) name: &'t str,
    pub(super) title: &'t str,
    /// The same in words, for those who cannot see the chart.
    pub(super) description: &'t str,
    pub(super) height: f64,
    /// The record is invented: the chart says so itself.
    pub(super) simulated: bool,
}

/// Draws one chart and returns it as SVG text.
pub(super) fn draw(
    caption: &Caption<'_>,
    paint: impl FnOnce(&mut Canvas<'_>) -> Result<(), Fault>,
) -> Result<String, Fault> {
    let mut svg = String::new();
    {
        let size = (
            fine(WIDTH).unsigned_abs(),
            fine(caption.height).unsigned_abs(),
        );
        let mut canvas = Canvas {
            backend: SVGBackend::with_string(&mut svg, size),
        };
        canvas.fill(
            Area {
                left: 0.0,
                top: 0.0,
                right: WIDTH,
                bottom: caption.height,
            },
            PAPER.mix(1.0),
        )?;
        canvas.bold(
            caption.title,
            (style::EDGE_LEFT, 0.6 * HEAD),
            HPos::Left,
            TITLE,
            INK,
        )?;
        if caption.simulated {
            let at = (WIDTH - 10.0, 0.6 * HEAD);
            canvas.bold(
                "simulated data",
                at,
                HPos::Right,
                LABEL,
                style::part(crate::separate::PartName::StopperSlip),
            )?;
        }
        paint(&mut canvas)?;
        canvas.backend.present()?;
    }
    Ok(labelled(&svg, caption))
}

/// The drawing at its real size, with title and description for screen readers.
fn labelled(svg: &str, caption: &Caption<'_>) -> String {
    let body = svg.split_once('>').map_or("", |(_, body)| body);
    let name = caption.name;
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" viewBox=\"0 0 {fw} {fh}\" role=\"img\" \
         aria-labelledby=\"{name}-title {name}-desc\">\n<title id=\"{name}-title\">{title}</title>\n\
         <desc id=\"{name}-desc\">{desc}</desc>{body}",
        w = WIDTH,
        h = caption.height,
        fw = fine(WIDTH),
        fh = fine(caption.height),
        title = escaped(caption.title),
        desc = escaped(caption.description),
    )
}

/// A text as it may stand in XML.
fn escaped(text: &str) -> String {
    clean(text)
        .replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

/// A text without characters that XML forbids or that turn the direction of what follows.
pub(crate) fn clean(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '\t' | '\n' | '\r' => ' ',
            c => c,
        })
        .filter(|c| {
            !c.is_control()
                && !matches!(*c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{fffe}' | '\u{ffff}')
        })
        .collect()
}

fn fine(v: f64) -> i32 {
    // Places are inside the paper by construction; the clamp only keeps the conversion in range.
    (v * FINE).round().clamp(-1e6, 1e6) as i32
}

fn place(at: Point) -> (i32, i32) {
    (fine(at.0), fine(at.1))
}

fn stroke(colour: impl Into<RGBAColor>, width: f64) -> ShapeStyle {
    ShapeStyle {
        color: colour.into(),
        filled: false,
        stroke_width: fine(width).unsigned_abs().max(1),
    }
}

/// A drawing in progress. All places and sizes are in units of the layout.
pub(super) struct Canvas<'a> {
    backend: SVGBackend<'a>,
}

impl Canvas<'_> {
    /// A line through the points: broken where one is missing, cut at the area, thinned.
    pub(super) fn line(
        &mut self,
        points: &[Point],
        area: Area,
        colour: impl Into<RGBAColor>,
        width: f64,
    ) -> Result<(), Fault> {
        let style = stroke(colour, width);
        for run in runs(points) {
            for piece in inside(&thin(run, LINE_COLUMN), area) {
                if let [only] = piece.as_slice() {
                    self.backend.draw_circle(
                        place(*only),
                        fine(width).unsigned_abs(),
                        &style.filled(),
                        true,
                    )?;
                } else {
                    self.backend
                        .draw_path(piece.into_iter().map(place), &style)?;
                }
            }
        }
        Ok(())
    }

    /// Points as small discs.
    pub(super) fn dots(
        &mut self,
        points: &[Point],
        area: Area,
        colour: RGBColor,
        radius: f64,
    ) -> Result<(), Fault> {
        for point in points {
            for piece in inside(std::slice::from_ref(point), area) {
                for at in piece {
                    self.backend.draw_circle(
                        place(at),
                        fine(radius).unsigned_abs(),
                        &colour.filled(),
                        true,
                    )?;
                }
            }
        }
        Ok(())
    }

    /// A straight dashed line, cut at the area.
    pub(super) fn dashed(
        &mut self,
        from: Point,
        to: Point,
        area: Area,
        colour: RGBColor,
        width: f64,
    ) -> Result<(), Fault> {
        for piece in inside(&[from, to], area) {
            let [from, to] = piece.as_slice() else {
                continue;
            };
            let length = (to.0 - from.0).hypot(to.1 - from.1);
            let at = |d: f64| {
                let share = if length > 0.0 {
                    (d / length).min(1.0)
                } else {
                    0.0
                };
                (
                    from.0 + share * (to.0 - from.0),
                    from.1 + share * (to.1 - from.1),
                )
            };
            for dash in 0..(length / 9.0).ceil() as usize {
                let start = 9.0 * dash as f64;
                let ends = [at(start), at((start + 5.5).min(length))];
                self.backend
                    .draw_path(ends.into_iter().map(place), &stroke(colour, width))?;
            }
        }
        Ok(())
    }

    /// The area between two courses over the same places, broken where either is missing. Heights outside the area are
    /// drawn up to its edge.
    pub(super) fn band(
        &mut self,
        low: &[Point],
        high: &[Point],
        area: Area,
        colour: impl Into<RGBAColor>,
    ) -> Result<(), Fault> {
        let style = ShapeStyle {
            color: colour.into(),
            filled: true,
            stroke_width: 1,
        };
        for outline in outlines(low, high, area) {
            self.backend
                .fill_polygon(outline.into_iter().map(place), &style)?;
        }
        Ok(())
    }

    /// Upright ribs between two courses: marks a range in which nothing is preferred.
    pub(super) fn ribs(
        &mut self,
        low: &[Point],
        high: &[Point],
        area: Area,
        colour: RGBColor,
    ) -> Result<(), Fault> {
        let mut next = area.left;
        for (from, to) in low.iter().zip(high) {
            if from.0 >= next && from.1.is_finite() && to.1.is_finite() {
                self.line(&[*from, *to], area, colour, HAIR)?;
                next = from.0 + 6.0;
            }
        }
        Ok(())
    }

    /// A filled outline, cut at the area only by moving its points to the nearest edge.
    pub(super) fn shape(
        &mut self,
        outline: &[Point],
        area: Area,
        colour: RGBAColor,
    ) -> Result<(), Fault> {
        let style = ShapeStyle {
            color: colour,
            filled: true,
            stroke_width: 1,
        };
        let points = outline
            .iter()
            .filter(|p| p.0.is_finite() && p.1.is_finite())
            .map(|p| {
                place((
                    p.0.clamp(area.left, area.right),
                    p.1.clamp(area.top, area.bottom),
                ))
            });
        Ok(self.backend.fill_polygon(points, &style)?)
    }

    /// A filled rectangle.
    pub(super) fn fill(&mut self, area: Area, colour: impl Into<RGBAColor>) -> Result<(), Fault> {
        let style = ShapeStyle {
            color: colour.into(),
            filled: true,
            stroke_width: 0,
        };
        Ok(self.backend.draw_rect(
            place((area.left, area.top)),
            place((area.right, area.bottom)),
            &style,
            true,
        )?)
    }

    /// An upright square bracket that opens to the right, from one height to another.
    pub(super) fn bracket(
        &mut self,
        x: f64,
        from: f64,
        to: f64,
        area: Area,
        colour: RGBColor,
    ) -> Result<(), Fault> {
        let arm = 5.0;
        self.line(
            &[(x + arm, from), (x, from), (x, to), (x + arm, to)],
            area,
            colour,
            style::CURVE,
        )
    }

    /// A text at a place: `at` is its left, middle or right end, half way up.
    pub(super) fn text(
        &mut self,
        text: &str,
        at: Point,
        align: HPos,
        size: f64,
        colour: RGBColor,
    ) -> Result<(), Fault> {
        self.write(text, at, align, size, colour, FontStyle::Normal)
    }

    /// The same in bold.
    pub(super) fn bold(
        &mut self,
        text: &str,
        at: Point,
        align: HPos,
        size: f64,
        colour: RGBColor,
    ) -> Result<(), Fault> {
        self.write(text, at, align, size, colour, FontStyle::Bold)
    }

    fn write(
        &mut self,
        text: &str,
        at: Point,
        align: HPos,
        size: f64,
        colour: RGBColor,
        weight: FontStyle,
    ) -> Result<(), Fault> {
        // The backend divides the size by 1.24.
        let style = ("sans-serif", size * FINE * 1.24, weight)
            .into_font()
            .color(&BLACK)
            .into_text_style(&(WIDTH as u32, WIDTH as u32))
            .color(&colour)
            .pos(Pos::new(align, VPos::Center));
        Ok(self.backend.draw_text(&clean(text), &style, place(at))?)
    }

    /// Labels right of a panel, each beside what it names, pushed apart where they would overlap.
    pub(super) fn labels(
        &mut self,
        labels: Vec<Label>,
        top: f64,
        bottom: f64,
    ) -> Result<(), Fault> {
        let width = WIDTH - GUTTER - 6.0;
        let mut set: Vec<(f64, Vec<String>, RGBColor)> = labels
            .into_iter()
            .filter(|l| l.y.is_finite())
            .map(|l| {
                let mut lines = style::wrap(&l.name, LABEL, width);
                lines.extend(style::wrap(&l.figure, LABEL, width));
                (l.y, lines, l.colour)
            })
            .collect();
        set.sort_by(|a, b| a.0.total_cmp(&b.0));
        let heights: Vec<f64> = set
            .iter()
            .map(|l| LEADING * l.1.len() as f64 + 5.0)
            .collect();
        let middles = spread(
            &set.iter().map(|l| l.0).collect::<Vec<_>>(),
            &heights,
            top,
            bottom,
        );
        for ((wanted, lines, colour), (middle, height)) in
            set.iter().zip(middles.iter().zip(&heights))
        {
            let reach = Area {
                left: RIGHT,
                top: 0.0,
                right: GUTTER,
                bottom: f64::MAX,
            };
            self.line(
                &[(RIGHT + 2.0, *wanted), (GUTTER - 3.0, *middle)],
                reach,
                *colour,
                HAIR,
            )?;
            for (i, line) in lines.iter().enumerate() {
                let y = middle - (height - 5.0) / 2.0 + LEADING * (i as f64 + 0.5);
                self.text(line, (GUTTER, y), HPos::Left, LABEL, readable(*colour))?;
            }
        }
        Ok(())
    }

    /// A key right of a panel: a patch of colour before each name. Returns the height below it.
    pub(super) fn key(
        &mut self,
        entries: &[(String, String, RGBColor)],
        top: f64,
    ) -> Result<f64, Fault> {
        let left = GUTTER + 18.0;
        let width = WIDTH - left - 6.0;
        let mut y = top;
        for (name, figure, colour) in entries {
            let patch = Area {
                left: GUTTER,
                top: y - 6.0,
                right: GUTTER + 12.0,
                bottom: y + 6.0,
            };
            self.fill(patch, colour.mix(1.0))?;
            for line in style::wrap(name, LABEL, width) {
                self.text(&line, (left, y), HPos::Left, LABEL, INK)?;
                y += LEADING;
            }
            for line in style::wrap(figure, SMALL, width) {
                self.text(&line, (left, y), HPos::Left, SMALL, QUIET)?;
                y += LEADING;
            }
            y += 8.0;
        }
        Ok(y)
    }
}

/// A label beside the end of a curve.
pub(super) struct Label {
    /// Height of what it names.
    pub(super) y: f64,
    pub(super) name: String,
    /// A figure below the name; may be empty.
    pub(super) figure: String,
    pub(super) colour: RGBColor,
}

/// Colours too light for text on paper are named in ink.
fn readable(colour: RGBColor) -> RGBColor {
    let light =
        0.299 * f64::from(colour.0) + 0.587 * f64::from(colour.1) + 0.114 * f64::from(colour.2);
    if light > 125.0 { INK } else { colour }
}

/// Outlines of the area between two courses.
fn outlines(low: &[Point], high: &[Point], area: Area) -> Vec<Vec<Point>> {
    let clamp = |p: &Point| (p.0, p.1.clamp(area.top, area.bottom));
    let pairs: Vec<(Point, Point)> = low.iter().copied().zip(high.iter().copied()).collect();
    pairs
        .split(|(l, h)| {
            !l.1.is_finite()
                || !h.1.is_finite()
                || !l.0.is_finite()
                || !(area.left - 0.5..=area.right + 0.5).contains(&l.0)
        })
        .filter(|run| run.len() > 1)
        .map(|run| {
            let lower: Vec<Point> = run.iter().map(|(l, _)| clamp(l)).collect();
            let upper: Vec<Point> = run.iter().map(|(_, h)| clamp(h)).collect();
            thin(&lower, BAND_COLUMN)
                .into_iter()
                .chain(thin(&upper, BAND_COLUMN).into_iter().rev())
                .collect()
        })
        .collect()
}

/// Middles of labels as near as possible to the wanted heights (rising) without overlap, between top and bottom.
pub(super) fn spread(wanted: &[f64], heights: &[f64], top: f64, bottom: f64) -> Vec<f64> {
    let mut middles = Vec::with_capacity(wanted.len());
    let mut free = top;
    for (y, height) in wanted.iter().zip(heights) {
        let middle = y.max(free + height / 2.0);
        free = middle + height / 2.0;
        middles.push(middle);
    }
    let mut limit = bottom;
    for (middle, height) in middles.iter_mut().zip(heights).rev() {
        *middle = middle.min(limit - height / 2.0);
        limit = *middle - height / 2.0;
    }
    middles
}

/// A plotting area with its two axes.
pub(super) struct Panel {
    pub(super) area: Area,
    pub(super) x: Scale,
    pub(super) y: Scale,
}

impl Panel {
    /// A panel over the usual width.
    pub(super) fn new(top: f64, bottom: f64, x: Scale, y: Scale) -> Self {
        Self {
            area: Area {
                left: LEFT,
                top,
                right: RIGHT,
                bottom,
            },
            x,
            y,
        }
    }

    /// Place of a value; not finite where it has none.
    pub(super) fn at(&self, x: f64, y: f64) -> Point {
        (self.at_x(x), self.at_y(y))
    }

    pub(super) fn at_x(&self, x: f64) -> f64 {
        self.area.left + self.x.share(x) * (self.area.right - self.area.left)
    }

    pub(super) fn at_y(&self, y: f64) -> f64 {
        self.area.bottom - self.y.share(y) * (self.area.bottom - self.area.top)
    }

    /// Places of two courses.
    pub(super) fn points(&self, xs: &[f64], ys: &[f64]) -> Vec<Point> {
        xs.iter().zip(ys).map(|(x, y)| self.at(*x, *y)).collect()
    }

    /// Grid, numbers and the name of the upright axis; the level axis gets numbers and a name only if it is named.
    pub(super) fn axes(
        &self,
        canvas: &mut Canvas<'_>,
        x_name: Option<&str>,
        y_name: &str,
    ) -> Result<(), Fault> {
        let area = self.area;
        for (value, text) in self.y.ticks() {
            let y = self.at_y(value);
            canvas.line(&[(area.left, y), (area.right, y)], area, GRID, HAIR)?;
            // Long numbers are written smaller rather than over the edge.
            let room = area.left - 11.0;
            let size = SMALL * (room / style::text_width(&text, SMALL)).min(1.0);
            canvas.text(&text, (area.left - 7.0, y), HPos::Right, size, QUIET)?;
        }
        for (value, text) in self.x.ticks() {
            let x = self.at_x(value);
            canvas.line(&[(x, area.top), (x, area.bottom)], area, GRID, HAIR)?;
            if x_name.is_some() {
                canvas.text(&text, (x, area.bottom + 13.0), HPos::Center, SMALL, QUIET)?;
            }
        }
        canvas.line(
            &[(area.left, area.bottom), (area.right, area.bottom)],
            area,
            style::EDGE,
            HAIR,
        )?;
        canvas.text(
            y_name,
            (style::EDGE_LEFT, area.top - 17.0),
            HPos::Left,
            LABEL,
            QUIET,
        )?;
        if let Some(name) = x_name {
            let middle = (area.left + area.right) / 2.0;
            canvas.text(
                name,
                (middle, area.bottom + 33.0),
                HPos::Center,
                LABEL,
                QUIET,
            )?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_never_overlap_and_stay_inside() {
        let heights = [20.0, 20.0, 40.0];
        let middles = spread(&[50.0, 51.0, 200.0], &heights, 0.0, 210.0);
        assert_eq!(middles, [50.0, 70.0, 190.0]);
        let crowded = spread(&[205.0, 206.0, 207.0], &heights, 0.0, 210.0);
        assert_eq!(crowded, [140.0, 160.0, 190.0]);
    }

    #[test]
    fn texts_cannot_leave_the_drawing() {
        let caption = Caption {
            name: "test",
            title: "<script>&\u{202e}\u{7}",
            description: "]]></desc><x/>",
            height: 100.0,
            simulated: true,
        };
        let svg = draw(&caption, |canvas| {
            canvas.text("</text><b>", (10.0, 60.0), HPos::Left, LABEL, INK)
        })
        .unwrap();
        assert!(
            !svg.contains("<script") && !svg.contains("<b>") && !svg.contains("<x/>"),
            "{svg}"
        );
        assert!(svg.contains("simulated data") && svg.contains("viewBox=\"0 0 7200 1000\""));
        assert!(!svg.contains('\u{202e}') && !svg.contains('\u{7}'));
    }
}
