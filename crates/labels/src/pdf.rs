//! Drawings as PDF pages in their own size, with the fonts' used glyphs embedded and text
//! that can be searched.

use std::collections::BTreeMap;

use pdf_writer::types::{CidFontType, FontFlags, SystemInfo, UnicodeCmap};
use pdf_writer::{Content, Finish as _, Name, Pdf, Rect, Ref, Str, TextStr};
use subsetter::GlyphRemapper;

use crate::drawing::{Run, Shape};
use crate::font::{Face, Font};
use crate::{Drawing, LabelError};

const FACES: [Face; 2] = [Face::Regular, Face::Bold];
const IDENTITY: SystemInfo<'static> = SystemInfo {
    registry: Str(b"Adobe"),
    ordering: Str(b"Identity"),
    supplement: 0,
};

/// The glyphs of one face that a file uses.
struct Used {
    font: &'static Font,
    glyphs: GlyphRemapper,
    /// New number of a glyph to what it says.
    says: BTreeMap<u16, String>,
}

/// A PDF with one page a drawing.
///
/// # Errors
/// [`LabelError::Draw`] only if the vendored fonts were damaged.
pub fn pdf(title: &str, pages: &[Drawing]) -> Result<Vec<u8>, LabelError> {
    let mut faces = BTreeMap::new();
    for face in FACES {
        let font = face
            .font()
            .ok_or_else(|| LabelError::Draw("the label's own font is damaged".to_owned()))?;
        let used = Used {
            font,
            glyphs: GlyphRemapper::new(),
            says: BTreeMap::new(),
        };
        faces.insert(face, used);
    }
    let contents: Vec<Content> = pages.iter().map(|page| content(page, &mut faces)).collect();

    let mut pdf = Pdf::new();
    let mut next = 1;
    let mut id = || {
        next += 1;
        Ref::new(next - 1)
    };
    let (catalog, tree, info) = (id(), id(), id());
    pdf.catalog(catalog).pages(tree);
    pdf.document_info(info).title(TextStr(title));
    let fonts: Vec<(Face, Ref)> = FACES.into_iter().map(|face| (face, id())).collect();
    let ids: Vec<(Ref, Ref)> = pages.iter().map(|_| (id(), id())).collect();
    pdf.pages(tree)
        .kids(ids.iter().map(|(page, _)| *page))
        .count(i32::try_from(ids.len()).unwrap_or(i32::MAX));
    for ((drawing, content), (page_id, content_id)) in pages.iter().zip(contents).zip(ids) {
        let points = points(drawing);
        let (width, height) = (drawing.width as f32, drawing.height as f32);
        let mut page = pdf.page(page_id);
        page.parent(tree)
            .media_box(Rect::new(0.0, 0.0, width * points, height * points))
            .contents(content_id);
        let mut resources = page.resources();
        let mut named = resources.fonts();
        for (face, font_id) in &fonts {
            named.pair(Name(face.name().as_bytes()), *font_id);
        }
        named.finish();
        resources.finish();
        page.finish();
        pdf.stream(content_id, &content.finish());
    }
    for (face, font_id) in fonts {
        if let Some(used) = faces.remove(&face) {
            embed(&mut pdf, face, used, [font_id, id(), id(), id(), id()])?;
        }
    }
    Ok(pdf.finish())
}

/// Points (1/72 inch) in a dot.
fn points(drawing: &Drawing) -> f32 {
    72.0 / (drawing.dpi.per_metre() as f32 * 0.0254)
}

fn content(drawing: &Drawing, faces: &mut BTreeMap<Face, Used>) -> Content {
    let points = points(drawing);
    let height = drawing.height as f32;
    let mut content = Content::new();
    for shape in &drawing.shapes {
        match shape {
            Shape::Bar { slot, black } => {
                let bottom = height - (slot.y + slot.height) as f32;
                content
                    .set_fill_gray(if *black { 0.0 } else { 1.0 })
                    .rect(
                        slot.x as f32 * points,
                        bottom * points,
                        slot.width as f32 * points,
                        slot.height as f32 * points,
                    )
                    .fill_nonzero();
            }
            Shape::Letters(run) => {
                if let Some(used) = faces.get_mut(&run.face) {
                    let origin = [run.x * points, (height - run.y) * points];
                    letters(&mut content, run, used, origin, run.size * points);
                }
            }
        }
    }
    content
}

fn letters(content: &mut Content, run: &Run, used: &mut Used, [x, y]: [f32; 2], size: f32) {
    content
        .set_fill_gray(if run.black { 0.0 } else { 1.0 })
        .begin_text()
        .set_font(Name(run.face.name().as_bytes()), size)
        .set_text_matrix([1.0, 0.0, 0.0, 1.0, x, y]);
    // Where the pen stands after the last glyph, in ems.
    let mut pen = 0.0;
    let mut rise = 0.0;
    for placed in &run.glyphs {
        let number = used.glyphs.remap(placed.glyph);
        used.says
            .entry(number)
            .or_insert_with(|| said(run, placed.from).to_owned());
        if placed.y != rise {
            rise = placed.y;
            content.set_rise(rise * size);
        }
        let mut line = content.show_positioned();
        let mut items = line.items();
        if (placed.x - pen).abs() > 1e-4 {
            items.adjust((pen - placed.x) * 1_000.0);
        }
        items.show(Str(&number.to_be_bytes()));
        items.finish();
        line.finish();
        pen = placed.x + used.font.advance(placed.glyph);
    }
    if rise != 0.0 {
        content.set_rise(0.0);
    }
    content.end_text();
}

/// What the glyph says that begins at this byte of the run's words.
fn said(run: &Run, from: usize) -> &str {
    let later = run.glyphs.iter().map(|placed| placed.from);
    let end = later.filter(|other| *other > from).min();
    run.words
        .get(from..end.unwrap_or(run.words.len()))
        .unwrap_or_default()
        .trim_end()
}

fn embed(
    pdf: &mut Pdf,
    face: Face,
    used: Used,
    [font_id, cid_id, descriptor_id, cmap_id, file_id]: [Ref; 5],
) -> Result<(), LabelError> {
    let file = subsetter::subset(used.font.data, 0, &used.glyphs)
        .map_err(|error| LabelError::Draw(error.to_string()))?;
    // A subset's name begins with a tag of six letters.
    let name = format!("LABELS+{}", face.name());
    let name = Name(name.as_bytes());
    pdf.type0_font(font_id)
        .base_font(name)
        .encoding_predefined(Name(b"Identity-H"))
        .descendant_font(cid_id)
        .to_unicode(cmap_id);
    let mut cid = pdf.cid_font(cid_id);
    cid.subtype(CidFontType::Type2)
        .base_font(name)
        .system_info(IDENTITY)
        .font_descriptor(descriptor_id)
        .default_width(0.0)
        .cid_to_gid_map_predefined(Name(b"Identity"));
    let widths = used.glyphs.remapped_gids();
    let widths = widths.map(|glyph| used.font.advance(glyph) * 1_000.0);
    cid.widths().consecutive(0, widths);
    cid.finish();
    let (ascent, descent) = (used.font.ascent * 1_000.0, -used.font.descent * 1_000.0);
    pdf.font_descriptor(descriptor_id)
        .name(name)
        .flags(FontFlags::NON_SYMBOLIC)
        .bbox(Rect::new(-1_000.0, descent, 2_000.0, ascent))
        .italic_angle(0.0)
        .ascent(ascent)
        .descent(descent)
        // DejaVu Sans: capitals are 0.729 em high.
        .cap_height(729.0)
        .stem_v(if face == Face::Bold { 180.0 } else { 90.0 })
        .font_file2(file_id);
    pdf.stream(file_id, &file);
    let mut cmap = UnicodeCmap::new(Name(b"Custom"), IDENTITY);
    for (glyph, says) in &used.says {
        if !says.is_empty() {
            cmap.pair_with_multiple(*glyph, says.chars());
        }
    }
    pdf.cmap(cmap_id, &cmap.finish());
    Ok(())
}
