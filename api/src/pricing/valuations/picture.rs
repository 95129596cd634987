//! A valuation as a picture. Shapes and not colours carry the meaning, so that it can be printed.

use super::answer::{Answer, WeighingSale};
use crate::{
    firm::firm,
    ground::{
        answers::{self, Reply},
        problem::Problem,
    },
};
use actix_web::HttpRequest;
use diesel_async::AsyncPgConnection;
use outshop_core::{money::Money, pricing::valuation::estimate_of};
use plotters::{
    coord::{Shift, types::RangedCoordf64},
    prelude::*,
    style::text_anchor::{HPos, Pos, VPos},
};
use std::fmt::{Display, Write};

pub(crate) const MEDIA_TYPE: &str = "image/svg+xml";

/// In pixels.
const WIDTH: u32 = 900;
const ROW: u32 = 30;
const HEAD: u32 = 56;
/// The axis and two lines of legend.
const FOOT: u32 = 120;
const NAMES: u32 = 250;
const FIGURES: u32 = 170;

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;

/// Other prices of the engine drawn in the picture.
#[derive(Default)]
pub(crate) struct ChartMarks {
    pub asking_price: Option<Money>,
    pub break_even_price: Option<Money>,
}

/// The picture as a response, in the firm's currency.
pub(crate) async fn respond(
    req: &HttpRequest,
    conn: &mut AsyncPgConnection,
    heading: &str,
    answer: &Answer,
    marks: &ChartMarks,
) -> Reply {
    let currency = firm::find(conn).await?.currency;
    let svg = svg(heading, currency.as_ref(), answer, marks)?;
    Ok(answers::respond_as(
        req,
        svg.into_bytes(),
        MEDIA_TYPE,
        "no-store",
    ))
}

/// SVG 1.1 with title and description. `currency`: ISO 4217.
fn svg(
    heading: &str,
    currency: &str,
    answer: &Answer,
    marks: &ChartMarks,
) -> Result<String, Problem> {
    let rows = answer.reason.comparables.len() + 1;
    let height = HEAD + FOOT + ROW * u32::try_from(rows).map_err(Problem::internal)?;
    let mut drawn = String::new();
    {
        let root = SVGBackend::with_string(&mut drawn, (WIDTH, height)).into_drawing_area();
        draw(&root, heading, currency, answer, marks).map_err(|e| Problem::internal(e.as_str()))?;
    }
    let head = format!(
        "<svg role=\"img\" aria-labelledby=\"heading summary\"><title id=\"heading\">{}</title><desc id=\"summary\">{}</desc>",
        escaped(heading),
        escaped(&in_words(currency, answer, marks))
    );
    let (opening, title) = head.split_once('>').expect("written just above");
    let (own, rest) = drawn
        .split_once('>')
        .ok_or_else(|| Problem::internal("the drawing has no svg element"))?;
    let attributes = opening.trim_start_matches("<svg");
    Ok(format!("{own}{attributes}>{title}{rest}"))
}

fn in_words(currency: &str, answer: &Answer, marks: &ChartMarks) -> String {
    let mut words = format!(
        "Low {}, likely {}, high {} {currency}: {} of 100 such prices are expected in this range.",
        answer.low, answer.likely, answer.high, answer.reason.level_percent
    );
    let mut add = |name: &str, price: Option<Money>| {
        if let Some(price) = price {
            let _ = write!(words, " {name} {price}.");
        }
    };
    add("Asking price", marks.asking_price);
    add("Break-even price", marks.break_even_price);
    for sale in &answer.reason.comparables {
        let _ = write!(words, " {}: {}.", name(sale), figures(sale));
    }
    words
}

fn name(sale: &WeighingSale) -> String {
    let record = match (sale.comparable_id, sale.sale_id) {
        (Some(id), _) => format!("comparable {id}"),
        (None, Some(id)) => format!("own sale {id}"),
        (None, None) => "a sale".to_owned(),
    };
    format!("{}, {record}, weight {}", sale.on, sale.weight)
}

fn figures(sale: &WeighingSale) -> String {
    match sale.adjusted_price {
        Some(adjusted) => format!("paid {}, here {adjusted}", sale.price),
        None => format!("paid {}", sale.price),
    }
}

/// From just below the lowest price to just above the highest; prices far outside the range are drawn at the edge.
struct Span {
    from: f64,
    to: f64,
}

impl Span {
    fn of(answer: &Answer, marks: &ChartMarks) -> Span {
        let (low, high) = (estimate_of(answer.low), estimate_of(answer.high));
        let (least, most) = (0.5 * low, 2.0 * high);
        let of_sales = answer.reason.comparables.iter();
        let of_sales = of_sales.flat_map(|sale| [Some(sale.price), sale.adjusted_price]);
        let all = of_sales
            .chain([marks.asking_price, marks.break_even_price])
            .flatten()
            .map(|price| estimate_of(price).clamp(least, most));
        let (from, to) = all.fold((low, high), |(from, to), price| {
            (from.min(price), to.max(price))
        });
        let margin = (0.06 * (to - from)).max(0.01 * to).max(0.01);
        Span {
            from: (from - margin).max(0.0),
            to: to + margin,
        }
    }

    fn place(&self, price: Money) -> f64 {
        estimate_of(price).clamp(self.from, self.to)
    }
}

fn draw(
    root: &Area<'_>,
    heading: &str,
    currency: &str,
    answer: &Answer,
    marks: &ChartMarks,
) -> Result<(), String> {
    root.fill(&WHITE).map_err(as_text)?;
    write(root, heading, (16, 22), 19, HPos::Left)?;
    let span = Span::of(answer, marks);
    let rows = answer.reason.comparables.len() + 1;
    let (_, height) = root.dim_in_pixel();
    let plot = root.margin(HEAD, FOOT - 46, NAMES, FIGURES);
    let mut chart = ChartBuilder::on(&plot)
        .x_label_area_size(46)
        .build_cartesian_2d(span.from..span.to, 0.0..rows as f64)
        .map_err(as_text)?;
    chart
        .configure_mesh()
        .disable_y_mesh()
        .disable_y_axis()
        .x_labels(6)
        .light_line_style(TRANSPARENT)
        .bold_line_style(RGBColor(205, 205, 205))
        .x_label_formatter(&|price| format!("{price:.0}"))
        .x_desc(currency)
        .label_style(("sans-serif", 13))
        .draw()
        .map_err(as_text)?;
    mark(&mut chart, &span, rows, "asked", marks.asking_price, 7)?;
    mark(
        &mut chart,
        &span,
        rows,
        "break-even",
        marks.break_even_price,
        2,
    )?;

    let middle = |row: usize| rows as f64 - row as f64 - 0.5;
    the_engine(&mut chart, &span, middle(0), answer)?;
    let baseline = |row: usize| {
        let down = HEAD + ROW * u32::try_from(row).unwrap_or_default() + ROW / 2;
        i32::try_from(down).unwrap_or_default()
    };
    let right = i32::try_from(WIDTH - FIGURES).unwrap_or_default() + 8;
    let range = format!("{} to {}", answer.low, answer.high);
    write(root, "This engine", (16, baseline(0)), 14, HPos::Left)?;
    write(root, &range, (right, baseline(0)), 12, HPos::Left)?;
    for (i, sale) in answer.reason.comparables.iter().enumerate() {
        a_sale(&mut chart, &span, middle(i + 1), sale)?;
        write(root, &name(sale), (16, baseline(i + 1)), 12, HPos::Left)?;
        write(
            root,
            &figures(sale),
            (right, baseline(i + 1)),
            12,
            HPos::Left,
        )?;
    }
    let foot = i32::try_from(height).unwrap_or_default();
    let legend = [
        "Thick line: low to high; diamond: likely. Open circle: price paid. Filled circle: that price adjusted to this engine.",
        "Long dashes: the asking price. Dots: the break-even price. A price far outside is drawn at the edge.",
    ];
    for (i, line) in (0..).zip(legend) {
        write(root, line, (16, foot - 38 + 20 * i), 12, HPos::Left)?;
    }
    root.present().map_err(as_text)
}

/// A dashed line from top to bottom, labelled with name and price.
fn mark(
    chart: &mut Chart<'_, '_>,
    span: &Span,
    rows: usize,
    name: &str,
    price: Option<Money>,
    dash: i32,
) -> Result<(), String> {
    let Some(price) = price else {
        return Ok(());
    };
    let (at, top) = (span.place(price), rows as f64);
    let line = DashedLineSeries::new([(at, 0.0), (at, top)], dash, 4, BLACK.stroke_width(1));
    chart.draw_series(line).map_err(as_text)?;
    let style = ("sans-serif", 12).into_font().color(&BLACK);
    // The label of the break-even price is on a line of its own, as the two prices can be close.
    let lift = if dash > 4 { -16 } else { -4 };
    let words = EmptyElement::at((at, top))
        + Text::new(
            format!("{name} {price}"),
            (0, lift),
            style.pos(Pos::new(HPos::Center, VPos::Bottom)),
        );
    chart.draw_series([words]).map_err(as_text)?;
    Ok(())
}

fn the_engine(
    chart: &mut Chart<'_, '_>,
    span: &Span,
    level: f64,
    answer: &Answer,
) -> Result<(), String> {
    let (low, high) = (span.place(answer.low), span.place(answer.high));
    let range = PathElement::new([(low, level), (high, level)], BLACK.stroke_width(5));
    chart.draw_series([range]).map_err(as_text)?;
    let likely = EmptyElement::at((span.place(answer.likely), level))
        + Polygon::new([(-10, 0), (0, -10), (10, 0), (0, 10)], WHITE)
        + Polygon::new([(-8, 0), (0, -8), (8, 0), (0, 8)], BLACK);
    chart.draw_series([likely]).map_err(as_text)?;
    Ok(())
}

fn a_sale(
    chart: &mut Chart<'_, '_>,
    span: &Span,
    level: f64,
    sale: &WeighingSale,
) -> Result<(), String> {
    let paid = span.place(sale.price);
    if let Some(adjusted) = sale.adjusted_price {
        let adjusted = span.place(adjusted);
        let way = PathElement::new([(paid, level), (adjusted, level)], BLACK.stroke_width(1));
        chart.draw_series([way]).map_err(as_text)?;
        let here = Circle::new((adjusted, level), 5, BLACK.filled());
        chart.draw_series([here]).map_err(as_text)?;
    }
    let hollow = [
        Circle::new((paid, level), 5, WHITE.filled()),
        Circle::new((paid, level), 5, BLACK.stroke_width(1)),
    ];
    chart.draw_series(hollow).map_err(as_text)?;
    Ok(())
}

fn write(
    root: &Area<'_>,
    words: &str,
    at: (i32, i32),
    size: u32,
    anchor: HPos,
) -> Result<(), String> {
    let style = ("sans-serif", size).into_font().color(&BLACK);
    let style = style.pos(Pos::new(anchor, VPos::Center));
    root.draw_text(words, &style, at).map_err(as_text)
}

fn as_text(error: impl Display) -> String {
    error.to_string()
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}
