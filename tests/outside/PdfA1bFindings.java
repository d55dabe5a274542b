import java.io.File;
import org.apache.pdfbox.preflight.PreflightDocument;
import org.apache.pdfbox.preflight.ValidationResult.ValidationError;
import org.apache.pdfbox.preflight.parser.PreflightParser;

/** Prints what PDFBox's preflight finds wrong with a file as PDF/A-1b: a code and words a line. */
public class PdfA1bFindings {
    public static void main(String[] files) throws Exception {
        PreflightParser parser = new PreflightParser(new File(files[0]));
        parser.parse();
        try (PreflightDocument document = parser.getPreflightDocument()) {
            document.validate();
            for (ValidationError error : document.getResult().getErrorsList()) {
                System.out.println(error.getErrorCode() + "\t" + error.getDetails());
            }
        }
    }
}
